"""How much pencil lies on the paper: edge strength in units of the bare paper's own grain.

Correlation compares forms and does not see how strong they are; on blank paper it finds forms in the grain. This tells what
is not drawn yet.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.channels import gradient
from featurediff.matching.tuning import FINE

# On simulated sheets blank paper shows 1.2-1.7 and the faintest pencil 2.7 and more.
DRAWN = 2.2
# Bare paper is what the calmest parts of the sheet look like.
CALM_PERCENTILE = 15
# Of a picture without any grain (a clean scan), this counts as grain.
LEAST_GRAIN = 3e-4
# Bare paper shows 0.0007, with drawn texture behind it 0.005: what is rougher all over is a sheet hatched from edge to edge.
MOST_GRAIN = 0.01


def ink_map(laid: np.ndarray, sheet: np.ndarray, scale: float, size: float) -> np.ndarray:
    """Edge strength (h, w) of the drawing in the frame ``laid`` (h, w), in grains of paper: the most within half a line's width.

    ``sheet`` (h, w) is the whole drawing, ``scale`` its px to frame px, ``size`` the subject's size in frame px.
    """
    interpolation = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    whole = cv2.resize(sheet, None, fx=scale, fy=scale, interpolation=interpolation)
    window = max(round(0.07 * size), 3)
    calm = cv2.blur(_strength(whole, size), (window, window))
    inner = calm[window // 2 : -window // 2 : window // 2, window // 2 : -window // 2 : window // 2]
    grain = np.sqrt(np.percentile(inner if inner.size else calm, CALM_PERCENTILE))
    # Rounding in the blur can leave a little less than nothing.
    ink = np.sqrt(np.maximum(cv2.GaussianBlur(_strength(laid, size), (0, 0), FINE.spread * size), 0.0))
    reach = 2 * round(0.005 * size) + 1
    return cv2.dilate(ink, np.ones((reach, reach), np.uint8)) / float(np.clip(grain, LEAST_GRAIN, MOST_GRAIN))


def ink_along(ink: np.ndarray, curve: np.ndarray, closed: bool, step: float) -> float:
    """Median of the ink map (h, w) along a curve (n, 2) frame px, sampled every ``step`` px."""
    return float(np.median(_at(ink, geometry.resample(curve, step, closed))))


def bare_along(ink: np.ndarray, curve: np.ndarray, closed: bool, shortest: float) -> np.ndarray:
    """(n,) bool: points of a curve (n, 2) frame px that lie on bare paper for ``shortest`` px along it or more."""
    bare = _at(ink, curve) < DRAWN
    found = np.zeros(len(curve), bool)
    for run in geometry.runs(bare, closed):
        found[run] = float(np.hypot(*np.diff(curve[run], axis=0).T).sum()) >= shortest
    return found


def share_along(ink: np.ndarray, ends: np.ndarray, step: float) -> float:
    """Share of a straight line, ``ends`` (2, 2) frame px, along which there is pencil."""
    return float((_at(ink, geometry.resample(ends, step)) >= DRAWN).mean())


def _at(ink: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(n,) values of the ink map (h, w) at points (n, 2) frame px; nothing lies outside it."""
    x, y = points.astype(np.float32).T
    return cv2.remap(ink, x.copy(), y.copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT).ravel()


def _strength(grey: np.ndarray, size: float) -> np.ndarray:
    gx, gy = gradient(grey, FINE.derivative * size)
    return gx * gx + gy * gy
