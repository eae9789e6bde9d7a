"""What is no building: sky, and the tangle of foliage, people, cars and clouds."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff_architecture.segments import Lines
from featurediff_architecture.working import Working, sample

# The maps are this many times smaller than the working copy.
COARSE = 4
# Slopes (grey levels per px of the working copy) below this are paper-smooth.
SMOOTH = 1.6
# Tangled is where the edges around agree on one way, or on two square to each other, by less than 1 minus this.
TANGLED = 0.66
# A step of hue (Lab a or b, from one coarse px to the next) counts this many times as much as a slope of grey.
HUE = 0.9
# A region of sky is at least this share of the picture; beyond a wire it is alike within so much (Lab).
LARGE, ALIKE = 0.003, 7.0
# A line longer than this share of the picture's long side is no chance line of a tangle.
TOO_LONG = 0.16


@dataclass(frozen=True)
class Ground:
    """``sky`` and ``tangle``: (h, w) float32 0..1 maps, `COARSE` times smaller than the working copy."""

    sky: np.ndarray
    tangle: np.ndarray

    def at(self, what: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Values of one of the maps at ``points`` (a, b, 2) of the working copy: (a, b)."""
        return sample(what, (np.asarray(points, float) + 0.5) / COARSE - 0.5)


def find_ground(working: Working, lines: Lines) -> Ground:
    """The maps of sky and tangle of a working copy; straight ``lines`` bound the sky even where they are faint."""
    return Ground(_sky(working, lines), _tangle(working))


def _small(image: np.ndarray) -> np.ndarray:
    h, w = image.shape[:2]
    return cv2.resize(image, (max(w // COARSE, 1), max(h // COARSE, 1)), interpolation=cv2.INTER_AREA)


def _sky(working: Working, lines: Lines) -> np.ndarray:
    """Smooth regions that reach the picture's upper edge and are lighter than most of the rest, or bluer; and their like next to
    them, beyond a wire or a branch."""
    steep = _small(np.abs(working.gradient).max(2))
    colour = _small(working.colour)
    # An edge between two colours of one lightness bounds the sky as well.
    hue = colour[..., 1:]
    across = np.abs(np.diff(hue, axis=1, append=hue[:, -1:])).max(2)
    down = np.abs(np.diff(hue, axis=0, append=hue[-1:])).max(2)
    steep = np.maximum(steep, HUE * np.maximum(across, down))
    smooth = cv2.morphologyEx((steep < SMOOTH).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    for a, b in np.round(lines.ends[lines.length > 8 * COARSE] / COARSE).astype(int):
        cv2.line(smooth, a.tolist(), b.tolist(), 0, 2)
    # Walls as pale as the sky touch it where their edge is faint, through gaps that a coarser grain closes.
    grain = np.ones((5, 5), np.uint8)
    core = cv2.erode(smooth, grain, borderValue=1)
    count, label = cv2.connectedComponents(core, connectivity=4)
    label = np.where(smooth > 0, cv2.dilate(label.astype(np.float32), grain), 0).astype(int)
    area = np.bincount(label.ravel(), minlength=count)
    top_rows = set(np.unique(label[:3]).tolist())
    light = float(np.median(colour[..., 0]))
    large = [k for k in range(1, count) if area[k] > LARGE * smooth.size]
    mean = {k: colour[label == k].mean(0) for k in large}
    top = {k for k in large if k in top_rows and (mean[k][0] > light - 4.0 or mean[k][2] < -12.0)}
    sky = np.isin(label, list(top))
    rest = [k for k in large if k not in top]
    grown = True
    while grown and rest:
        grown = False
        ring = cv2.dilate(sky.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        for k in list(rest):
            touch = ring & (label == k)
            if touch.sum() < 0.02 * area[k] ** 0.5 + 4:
                continue
            near = cv2.dilate(touch.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
            if np.linalg.norm(colour[near & sky].mean(0) - colour[touch].mean(0)) < ALIKE:
                sky |= label == k
                rest.remove(k)
                grown = True
    return cv2.dilate(sky.astype(np.float32), np.ones((5, 5), np.uint8))


def _tangle(working: Working) -> np.ndarray:
    """How little the edges around each place agree: 0 where all run one way, or two ways square to each other, to 1.

    The resultant of the doubled angle is 1 for one way, that of the fourfold angle for two ways at right angles (directional
    statistics; Mardia and Jupp 2000, ch. 2 and 3, from memory).
    """
    gx, gy = working.gradient[::2, ::2, 0], working.gradient[::2, ::2, 1]
    steep = np.hypot(gx, gy)
    weight = np.where(steep > SMOOTH, np.minimum(steep, 20.0), 0.0) / np.maximum(steep, 1e-6)
    c, s = (gx * gx - gy * gy) / np.maximum(steep, 1e-6) ** 2, 2 * gx * gy / np.maximum(steep, 1e-6) ** 2
    weight = weight * steep
    layers = (weight, weight * c, weight * s, weight * (c * c - s * s), weight * 2 * c * s)
    h, w = working.grey.shape
    size = (max(w // COARSE, 1), max(h // COARSE, 1))
    reach = max(int(0.05 * max(size)), 3) | 1
    total, c2, s2, c4, s4 = (cv2.blur(cv2.resize(layer, size, interpolation=cv2.INTER_AREA), (reach, reach)) for layer in layers)
    agree = np.maximum(np.hypot(c2, s2), np.hypot(c4, s4)) / np.maximum(total, 1e-6)
    busy = np.clip(total / 0.6, 0, 1)
    return ((1.0 - agree) * busy).astype(np.float32)


def tangled(lines: Lines, ground: Ground, long_side: float) -> np.ndarray:
    """(n,) True for lines that lie in a tangle and are not long enough to stand out of it."""
    if not len(lines):
        return np.zeros(0, bool)
    t = np.linspace(0.05, 0.95, 9)
    on = lines.ends[:, :1] + t[None, :, None] * lines.vector[:, None]
    share = (ground.at(ground.tangle, on) > TANGLED).mean(1)
    solid = (lines.length > TOO_LONG * long_side) & (lines.shown > 0.6)
    return (share > 0.5) & ~solid


def beside_sky(lines: Lines, ground: Ground, away: float = 10.0) -> np.ndarray:
    """(n, 2): share of each line's length with sky on its left and on its right hand side (y down), ``away`` px off."""
    t = np.linspace(0.06, 0.94, 15)
    on = lines.ends[:, :1] + t[None, :, None] * lines.vector[:, None]
    sides = [on + sign * away * lines.normal[:, None] for sign in (-1.0, 1.0)]
    return np.stack([ground.at(ground.sky, side).mean(1) if len(lines) else np.zeros(0) for side in sides], 1)
