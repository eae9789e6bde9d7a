"""The working copy of the reference: small, grey, with its gradients, on which lines are looked for."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import rescale_points

# Long side of the working copy in px: a pencil line on an A4 drawing is about 1/600 of it, so nothing finer matters.
LONG_SIDE = 1400


@dataclass(frozen=True)
class Working:
    """``pixels`` (h, w, 3) uint8 RGB, ``grey`` (h, w) float32 0..255 and ``colour`` (h, w, 3) float32 Lab of the working copy.

    ``gradient`` (h, w, 2): its slope per px in x and y (Gaussian, sigma 1). ``scale``: working px per px of the picture.
    """

    pixels: np.ndarray
    grey: np.ndarray
    colour: np.ndarray
    gradient: np.ndarray
    scale: float

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in working px."""
        return self.grey.shape[1], self.grey.shape[0]

    def to_picture(self, points: np.ndarray) -> np.ndarray:
        """Working px -> picture px, any (..., 2)."""
        return rescale_points(points, 1.0 / self.scale)


def working_copy(pixels: np.ndarray, long_side: int = LONG_SIDE) -> Working:
    """The working copy of (h, w, 3) uint8 RGB ``pixels``; small pictures are kept as they are."""
    h, w = pixels.shape[:2]
    scale = min(long_side / max(h, w), 1.0)
    small = pixels
    if scale < 1.0:
        # One factor for both axes, or lines would turn: the size is rounded outwards, the map is exact.
        size = (round(w * scale), round(h * scale))
        scale = size[0] / w if w >= h else size[1] / h
        small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    colour = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2Lab)
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    return Working(small, grey, colour, slopes(grey), scale)


def slopes(grey: np.ndarray) -> np.ndarray:
    """(h, w, 2): derivative in x and y of ``grey`` smoothed with sigma 1, in grey levels per px."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0)
    return np.dstack([cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)]) / 32.0


def sample(image: np.ndarray, points: np.ndarray, smooth: bool = False) -> np.ndarray:
    """Values of ``image`` (h, w) or (h, w, c) at ``points`` (a, b, 2): (a, b) or (a, b, c), linear or ``smooth`` (cubic)."""
    points = np.asarray(points, np.float32)
    how = cv2.INTER_CUBIC if smooth else cv2.INTER_LINEAR
    return cv2.remap(image, points[..., 0], points[..., 1], how, borderMode=cv2.BORDER_REPLICATE)
