"""The working copy of the reference: colours and edges at one workable size."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import rescale_points

BLUR = 1.2  # working px
LONG_SIDE = 1100  # px of the working copy: finer detail does not help a pencil line


@dataclass(frozen=True)
class View:
    """``lab`` (h, w, 3) float32, L 0..100; ``smooth``: the same without noise; ``scale``: working px per px of the reference;
    ``edge`` (h, w): size of the colour gradient in L*a*b* units per working px; ``steepest`` (h, w, 2): its unit direction."""

    lab: np.ndarray
    scale: float
    smooth: np.ndarray
    edge: np.ndarray
    steepest: np.ndarray

    @property
    def size(self) -> tuple[int, int]:
        """Height and width in working px."""
        return self.lab.shape[:2]

    def to_picture(self, points: np.ndarray) -> np.ndarray:
        """Working px (n, 2) to px of the reference."""
        return rescale_points(points, 1.0 / self.scale)

    def from_picture(self, points: np.ndarray) -> np.ndarray:
        """Px of the reference (n, 2) to working px."""
        return rescale_points(points, self.scale)


def make_view(pixels: np.ndarray) -> View:
    """The working copy of (h, w, 3) uint8 sRGB pixels."""
    scale = min(1.0, LONG_SIDE / max(pixels.shape[:2]))
    small = pixels
    if scale < 1.0:
        # A whole step of two first: averaging areas over a large picture is slow.
        while max(small.shape[:2]) > 4 * LONG_SIDE:
            small = cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        shape = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
        small = cv2.resize(small, shape, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), BLUR)
    return View(lab, scale, smooth, *colour_gradient(smooth))


def colour_gradient(smooth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Size (h, w) and unit direction (h, w, 2) of the gradient of a colour picture.

    Method: the larger eigenvalue of the colour structure tensor (Di Zenzo 1986, "A note on the gradient of a multi-image").
    """
    xx, yy, xy = (np.zeros(smooth.shape[:2], np.float32) for _ in range(3))
    for channel in cv2.split(smooth):
        gx = cv2.Sobel(channel, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
        gy = cv2.Sobel(channel, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
        xx += gx * gx
        yy += gy * gy
        xy += gx * gy
    size, doubled = cv2.cartToPolar(xx - yy, 2 * xy)
    x, y = cv2.polarToCart(None, 0.5 * doubled)
    return cv2.sqrt(np.maximum(0.5 * (xx + yy + size), 0)), np.dstack([x, y])
