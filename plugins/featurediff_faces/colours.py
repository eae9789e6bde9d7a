"""Colour models of skin and hair, learnt from this picture alone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff_faces import topology
from featurediff_faces.frame import PUPILS, Frame

# Middles of patches that are skin on any face with open cheeks: cheeks, nose and the forehead between the brows.
SKIN_PATCHES = (50, 101, 36, 280, 330, 266, 5, 195, 197, 9, 151, 108, 337, 117, 346)
# The least spread of each model in L*, a*, b*: light falls off round a head much more than colour changes.
LEAST_SPREAD = np.array([9.0, 2.5, 3.5])


@dataclass(frozen=True)
class ColourModel:
    """A Gaussian in L*a*b*."""

    mean: np.ndarray
    covariance: np.ndarray

    def distance(self, lab: np.ndarray) -> np.ndarray:
        """Squared Mahalanobis distance of (..., 3) colours."""
        difference = lab - self.mean.astype(np.float32)
        inverse = np.linalg.inv(self.covariance).astype(np.float32)
        return np.einsum("...i,ij,...j->...", difference, inverse, difference, optimize=True)

    def cost(self, lab: np.ndarray) -> np.ndarray:
        """Negative log likelihood, capped so that no single pixel outvotes its neighbours."""
        return 0.5 * np.minimum(self.distance(lab), 40.0) + 0.5 * float(np.log(np.linalg.det(self.covariance)))


def fit(colours: np.ndarray, least: np.ndarray = LEAST_SPREAD) -> ColourModel:
    """A model of (n, 3) colours, fitted twice: the second time without the furthest fifth."""
    keep = colours
    for _ in range(2):
        mean = keep.mean(0)
        covariance = np.cov(keep.T) + np.diag(least**2) * 0.35
        model = ColourModel(mean, covariance)
        distance = model.distance(colours)
        keep = colours[distance <= np.quantile(distance, 0.8)]
    spread = np.sqrt(np.diag(model.covariance))
    widen = np.maximum(least / spread, 1.0)
    return ColourModel(model.mean, model.covariance * np.outer(widen, widen))


def skin_model(frame: Frame) -> ColourModel:
    """Skin as the patches of this face show it."""
    colours = []
    for number in SKIN_PATCHES:
        x, y = np.round(frame.face.points[number]).astype(int)
        r = int(0.06 * PUPILS)
        patch = frame.lab[max(y - r, 0) : y + r + 1, max(x - r, 0) : x + r + 1]
        if patch.size:
            colours.append(cv2.resize(patch, (7, 7), interpolation=cv2.INTER_AREA).reshape(-1, 3))
    return fit(np.vstack(colours))


def above_the_face(frame: Frame, silhouette: np.ndarray) -> np.ndarray:
    """Colours (n, 3) inside the silhouette and above the mesh: hair, or the skin of a bald head."""
    top = frame.face.points[topology.TOP_OF_MESH]
    rows, columns = np.mgrid[: silhouette.shape[0] : 3, : silhouette.shape[1] : 3]
    inner = cv2.erode(silhouette.astype(np.uint8), np.ones((9, 9), np.uint8))[::3, ::3] > 0
    inner &= frame.inside[::3, ::3] & (rows < top[1] - 0.12 * PUPILS) & (np.abs(columns - top[0]) < 1.3 * PUPILS)
    return frame.lab[::3, ::3][inner]


# Skin in shadow keeps its hue or, where the light is strong, its a* and b*; darker than this part of the skin's L* it is no skin.
SHADOW = 0.38
HUE = 6.5  # distance in a*, b*


def like_skin(lab: np.ndarray, skin: np.ndarray, shadow: float = SHADOW) -> np.ndarray:
    """(...,) bool for (..., 3) colours: skin of the mean colour ``skin`` (3,), lit or in shadow."""
    darker = lab[..., 0] / max(skin[0], 1.0)
    same = np.linalg.norm(lab[..., 1:] - skin[1:], axis=-1)
    paled = np.linalg.norm(lab[..., 1:] / np.maximum(darker, 0.2)[..., None] - skin[1:], axis=-1)
    return (np.minimum(same, paled) < HUE) & (darker > shadow)
