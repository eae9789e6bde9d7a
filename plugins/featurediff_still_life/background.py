"""What of the picture is table or wall: colour models learnt at the picture's border, in light and in shadow.

A shadow is the same colour with less light: in L*a*b*, where (L + 16, a, b) of a surface scale by one factor with the light that
falls on it, it lies on the ray through the lit colour. So darker of the same hue is table still - unless a sharp edge parts it
from the lit table: cast shadows end softly, things do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

COARSE = 360  # px of the long side for the separation; outlines are laid on the fine picture's edges later
BORDER = 0.035  # of the long side: the strip that table and wall are learnt from
CLUSTERS = 7
LEAST_SHARE = 0.04
DARKEST = 0.62  # of the cube root of the light: deepest shadow that is told from a thing by its colour
NEAR_ROWS = 0.06  # of the height
ELSEWHERE = 1.4  # spreads that a colour of the border counts for at least, at heights where the border does not show it
_TO_RAY = np.array([16, 0, 0], np.float32)  # L* + 16 scales with the cube root of the light, as a* and b* do
_FLOOR = np.array([2.2, 1.4, 1.4], np.float32)  # least spread: noise of a camera


@dataclass(frozen=True)
class Surroundings:
    """Colour models of table and wall. ``colours`` (k, 3) as (L + 16, a, b), ``spread`` (k, 3).

    ``rows`` (k, h) bool: at which heights each is seen at the picture's border, or nearly: a grey jug on a brown table is not
    taken for the grey wall.
    """

    colours: np.ndarray
    spread: np.ndarray
    rows: np.ndarray

    def distance(self, lab: np.ndarray, darkest: float = 1.0, lightest: float = 1.04) -> np.ndarray:
        """(h, w) distance to the nearest colour, in spreads, where less light (down to ``darkest``) costs nothing."""
        best = np.full(lab.shape[:2], np.inf, np.float32)
        for colour, spread, rows in zip(self.colours, self.spread, self.rows, strict=True):
            scaled, ray = (lab + _TO_RAY) / spread, colour / spread
            light = np.clip(scaled @ ray / (ray @ ray), min(darkest, 1 / lightest), lightest)
            found = ((scaled - light[..., None] * ray) ** 2).sum(-1)
            best = np.minimum(best, found + np.where(rows, 0.0, ELSEWHERE**2)[:, None].astype(np.float32))
        return np.sqrt(best)


def border_mask(shape: tuple[int, int]) -> np.ndarray:
    """(h, w) bool: the strip along the picture's border."""
    strip = max(round(BORDER * max(shape)), 2)
    mask = np.ones(shape, bool)
    mask[strip:-strip, strip:-strip] = False
    return mask


def learn_surroundings(lab: np.ndarray, where: np.ndarray | None = None) -> Surroundings:
    """Colour models of the picture's border, or of the pixels ``where`` (h, w) bool is True."""
    where = border_mask(lab.shape[:2]) if where is None else where
    thin = max(int(where.sum()) // 4000, 1)
    row = np.nonzero(where)[0][::thin]
    samples = np.ascontiguousarray((lab[where] + _TO_RAY)[::thin], np.float32)
    count = min(CLUSTERS, max(len(samples) // 30, 1))
    cv2.setRNGSeed(7)  # the same picture always gives the same outlines
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 25, 0.3)
    _, labels, centres = cv2.kmeans(samples, count, None, criteria, 2, cv2.KMEANS_PP_CENTERS)
    colours, spreads, rows = [], [], []
    near = max(round(NEAR_ROWS * lab.shape[0]), 1)
    for k in range(count):
        mine = labels[:, 0] == k
        if mine.sum() < LEAST_SHARE * len(samples):
            continue
        colours.append(centres[k])
        spreads.append(np.maximum(samples[mine].std(0), _FLOOR))
        there = np.bincount(row[mine], minlength=lab.shape[0]) > 0
        rows.append(cv2.dilate(there.astype(np.uint8)[:, None], np.ones((2 * near + 1, 1), np.uint8))[:, 0] > 0)
    known = np.array(rows)
    known[:, ~known.any(0)] = True
    return Surroundings(np.array(colours, np.float32), np.array(spreads, np.float32), known)
