"""Edge strength by orientation: the common language of a photograph and a pencil drawing.

A dark line, a light line and a tone step along the same direction all answer in the same channel, because edge direction is
taken modulo 180 degrees. Dividing by the local contrast makes a faint line count like a strong one.
"""

from __future__ import annotations

import cv2
import numpy as np

CHANNELS = 8


def edge_channels(grey: np.ndarray, sigma: float, spread: float, contrast_window: float) -> np.ndarray:
    """Edge strength of a picture in eight orientations.

    ``grey`` (h, w) float32. ``sigma`` px: scale of the derivative. ``spread`` px: blur of the result, the tolerance for wobble.
    ``contrast_window`` px: over which the local contrast is taken. Returns (8, h, w) float32, about 1 on clear edges.
    """
    smooth = cv2.GaussianBlur(np.ascontiguousarray(grey, np.float32), (0, 0), sigma)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32)
    strength = cv2.magnitude(gx, gy)
    strength /= local_contrast(strength, contrast_window)
    # The double angle makes opposite gradient directions equal.
    safe = np.maximum(gx * gx + gy * gy, 1e-20)
    cos2, sin2 = (gx * gx - gy * gy) / safe, 2 * gx * gy / safe
    channels = np.empty((CHANNELS, *grey.shape), np.float32)
    for k in range(CHANNELS):
        angle = 2 * np.pi * k / CHANNELS
        tuned = 0.5 + (0.5 * np.cos(angle)) * cos2 + (0.5 * np.sin(angle)) * sin2
        tuned *= tuned
        tuned *= tuned
        channels[k] = cv2.GaussianBlur(tuned * strength, (0, 0), spread)
    return channels


def local_contrast(strength: np.ndarray, window: float) -> np.ndarray:
    """Root mean square of edge strength (h, w) around each px, never less than a fifth of what is usual in the picture.

    The floor keeps the grain of empty paper from being raised to the strength of a line.
    """
    # A blur this wide loses nothing at a quarter of the size.
    small = cv2.resize(strength * strength, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    local = np.sqrt(cv2.GaussianBlur(small, (0, 0), max(window / 4, 0.5)))
    usual = float(np.percentile(local, 90))
    local = np.maximum(local, 0.2 * usual + 1e-9)
    return cv2.resize(local, strength.shape[::-1], interpolation=cv2.INTER_LINEAR)
