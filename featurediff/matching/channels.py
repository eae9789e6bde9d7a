"""Edge strength by orientation: the common language of a photograph and a pencil drawing.

A dark line, a light line and a tone step along the same direction all answer alike, because edge direction is taken modulo 180
degrees. Dividing by the local contrast makes a faint line count like a strong one.

Eight orientations are tuned by (1/2 + 1/2 cos(2 (direction - orientation)))^4. They are kept as a Fourier series over
orientation, cut after the second harmonic: five layers hold 99 % of the energy of the eight, and sums of products over the five
are those over the eight (Parseval), at five eighths of the work.
"""

from __future__ import annotations

import cv2
import numpy as np

CHANNELS = 8
LAYERS = 5
# Fourier coefficients of the tuning curve, each times the length of its wave sampled at eight orientations.
_STEADY, _FIRST, _SECOND = 8**0.5 * 70 / 256, 2 * 112 / 256, 2 * 56 / 256


def edge_layers(grey: np.ndarray, sigma: float, spread: float, contrast_window: float) -> np.ndarray:
    """Edge strength of a picture over orientation, as five Fourier layers.

    ``grey`` (h, w) float32. ``sigma`` px: scale of the derivative. ``spread`` px: blur of the result, the tolerance for wobble.
    ``contrast_window`` px: over which the local contrast is taken. Returns (5, h, w) float32; see `at_orientation`.
    """
    gx, gy = gradient(grey, sigma)
    strength = cv2.magnitude(gx, gy)
    strength /= local_contrast(strength, contrast_window)
    # The double angle makes opposite gradient directions equal.
    safe = np.maximum(gx * gx + gy * gy, 1e-20)
    cos2, sin2 = (gx * gx - gy * gy) / safe, 2 * gx * gy / safe
    cos4, sin4 = cos2 * cos2 - sin2 * sin2, 2 * cos2 * sin2
    layers = np.empty((LAYERS, *grey.shape), np.float32)
    layers[0] = cv2.GaussianBlur(strength * _STEADY, (0, 0), spread)
    for k, (weight, wave) in enumerate(((_FIRST, cos2), (_FIRST, sin2), (_SECOND, cos4), (_SECOND, sin4)), start=1):
        layers[k] = cv2.GaussianBlur(strength * weight * wave, (0, 0), spread)
    return layers


def gradient(grey: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives along x and y (h, w) float32, per px, of a picture (h, w) smoothed by ``sigma`` px."""
    smooth = cv2.GaussianBlur(np.ascontiguousarray(grey, np.float32), (0, 0), sigma)
    return cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1 / 32), cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1 / 32)


def at_orientation(layers: np.ndarray, double_angle: np.ndarray | float) -> np.ndarray:
    """Edge strength across one orientation, about 1 on clear edges.

    ``layers`` (5, ...) as of `edge_layers`; ``double_angle`` in radians is twice the angle of the edge's normal.
    """
    first = layers[1] * np.cos(double_angle) + layers[2] * np.sin(double_angle)
    second = layers[3] * np.cos(2 * double_angle) + layers[4] * np.sin(2 * double_angle)
    return layers[0] / CHANNELS**0.5 + (first + second) / 2


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
