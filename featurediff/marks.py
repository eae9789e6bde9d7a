"""Graphite on paper, with the light divided out and nothing thresholded away."""

from __future__ import annotations

import cv2
import numpy as np

# The paper's brightness is estimated on a picture of this many px: far coarser than a pencil line, far finer than a shadow.
_COARSE_PX = 160
FAINT_TIMES = 3.0  # marks under so many times the grain are too faint to judge (2-3: common practice)


def marks(image: np.ndarray) -> np.ndarray:
    """Darkness of the marks, (h, w) float32: 0 is bare paper under whatever light falls there, 1 is black.

    ``image`` is (h, w, 3) RGB or (h, w) grey, uint8, of the squared sheet. The paper's own brightness is estimated at every place
    as an upper envelope at low resolution and divided out. Grain stays, as small values of either sign cut off at 0 .. 1.
    """
    grey = image if image.ndim == 2 else cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    grey = grey.astype(np.float32)
    paper = _paper_brightness(grey)
    return np.clip(1.0 - grey / paper, 0.0, 1.0)


def _paper_brightness(grey: np.ndarray) -> np.ndarray:
    """(h, w) brightness that bare paper would have at each place."""
    height, width = grey.shape
    factor = min(1.0, _COARSE_PX / max(height, width))
    size = (max(round(width * factor), 1), max(round(height * factor), 1))
    coarse = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    window = max(3, round(max(size) * 0.05)) | 1
    envelope = cv2.dilate(cv2.medianBlur(coarse, 3), np.ones((window, window), np.uint8))
    envelope = cv2.erode(envelope, np.ones((window, window), np.uint8))
    envelope = cv2.GaussianBlur(envelope, (0, 0), window / 3)
    return np.maximum(cv2.resize(envelope, (width, height), interpolation=cv2.INTER_LINEAR), 1.0)


def paper_noise(darkness: np.ndarray) -> float:
    """Standard deviation of the paper's grain in a `marks` picture, from its least marked places."""
    detail = darkness - cv2.GaussianBlur(darkness, (0, 0), 2.0)
    tile = 16
    height, width = (side // tile * tile for side in darkness.shape)
    if height < tile or width < tile:
        return float(detail.std())
    tiles = detail[:height, :width].reshape(height // tile, tile, width // tile, tile)
    spread = tiles.std(axis=(1, 3))
    return float(np.percentile(spread, 20))
