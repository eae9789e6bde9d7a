"""The far edge of the table: the long line where table and wall meet, seen beside and between the things."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff_still_life.outlines import on_edge
from featurediff_still_life.view import View

STEEPEST = 30.0  # degrees from level
LEAST_EDGE = 1.2  # L*a*b* units per working px
SEEN = 0.6  # share of the free columns in which it must be seen
DIFFERENT = 5.0  # L*a*b* units between table and wall, away from the line itself
_BESIDE = 12  # working px from the line at which table and wall are compared


def find_table_edge(view: View, things: np.ndarray) -> np.ndarray | None:
    """Its two ends (2, 2) in working px, left first, or None. ``things`` (h, w) bool, at any size."""
    height, width = view.size
    covered = cv2.resize(things.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    free = cv2.dilate(covered, np.ones((15, 15), np.uint8)) == 0
    free[:4], free[-4:], free[:, :4], free[:, -4:] = False, False, False, False
    upright = np.abs(view.steepest[..., 1]) > np.cos(np.radians(STEEPEST + 5))
    y, x = np.nonzero(free & upright & (view.edge > LEAST_EDGE))
    if len(x) < 0.2 * width:
        return None
    some = slice(None, None, max(len(x) // 6000, 1))
    line = _strongest(x[some], y[some], np.minimum(view.edge[y, x], 4 * LEAST_EDGE)[some], view.size)
    start = np.array([[0.0, line[1]], [width - 1.0, line[1] + line[0] * (width - 1)]])
    along = np.linspace(start[0], start[1], max(width // 4, 8))
    inside = (along[:, 1] > 6) & (along[:, 1] < height - 7)
    cells = np.round(along).astype(int).clip(0, [width - 1, height - 1])
    usable = inside & free[cells[:, 1], cells[:, 0]]
    if usable.sum() < 0.15 * len(along):
        return None
    laid = on_edge(view, along, closed=False, reach=5.0)
    slope, offset = _straight(laid.points[usable])
    off = np.abs(laid.points[:, 1] - slope * laid.points[:, 0] - offset)
    agreeing = usable & (off < 2.0) & _steps(view, laid.points)
    if agreeing.sum() < SEEN * usable.sum():
        return None
    where = np.nonzero(agreeing)[0]
    ends = laid.points[[where[0], where[-1]], 0]
    if ends[1] - ends[0] < 0.3 * width:
        return None
    return np.column_stack([ends, slope * ends + offset])


def _strongest(x: np.ndarray, y: np.ndarray, weight: np.ndarray, size: tuple[int, int]) -> tuple[float, float]:
    """Slope and offset of the line with the most edge on it (Hough 1962, by slope and offset)."""
    best, found = 0.0, (0.0, 0.0)
    bin_px = 4.0
    for slope in np.tan(np.radians(np.arange(-STEEPEST, STEEPEST + 0.1, 0.5))):
        offset = y - slope * x
        low = offset.min()
        counts = np.bincount(((offset - low) / bin_px).astype(int), weights=weight)
        pairs = counts + np.append(counts[1:], 0)
        k = int(pairs.argmax())
        if pairs[k] > best:
            best, found = float(pairs[k]), (float(slope), float(low + (k + 1) * bin_px))
    return found


def _straight(points: np.ndarray) -> tuple[float, float]:
    """Slope and offset of a robust line through (n, 2) points."""
    weights = np.ones(len(points))
    slope = offset = 0.0
    for _ in range(8):
        slope, offset = np.polyfit(points[:, 0], points[:, 1], 1, w=np.sqrt(weights))
        off = points[:, 1] - slope * points[:, 0] - offset
        scale = max(1.4826 * float(np.median(np.abs(off))), 0.2)
        weights = 1.0 / (1.0 + (off / (2 * scale)) ** 2) ** 2
    return float(slope), float(offset)


def _steps(view: View, points: np.ndarray) -> np.ndarray:
    """(n,) bool: what lies above and below differs; a line in the wood's grain has the same on both sides."""
    sides = []
    for shift in (-_BESIDE, _BESIDE):
        at = points + np.array([0.0, shift])
        x, y = at[:, 0].astype(np.float32)[None], at[:, 1].astype(np.float32)[None]
        sides.append(cv2.remap(cv2.blur(view.smooth, (9, 9)), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])
    return np.sqrt(((sides[0] - sides[1]) ** 2).sum(1)) > DIFFERENT
