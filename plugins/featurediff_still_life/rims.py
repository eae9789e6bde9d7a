"""The ellipse of a vessel's mouth: its far side is the top of the silhouette, its near side an edge within the thing."""

from __future__ import annotations

import math

import cv2
import numpy as np

from featurediff_still_life.ellipses import Ellipse, edges_beside, fit_robust
from featurediff_still_life.forms import Axis
from featurediff_still_life.outlines import Outline
from featurediff_still_life.view import View

LEAST_OPEN, MOST_OPEN = 0.04, 0.98
LEAST_EDGE = 1.1  # L*a*b* units per working px: a near side fainter than this is none
BACK, FRONT, ENDS = 0.6, 0.6, 0.5  # shares of far side, near side and either end that must be seen
CLOSE = 0.02  # of the half width: the far side must follow the silhouette as closely
PLATE = 0.6  # share of the outline that must lie on one ellipse to call the whole thing a plate
ROUND = 0.93  # openness beyond which an outline is a ball's rather than a plate's


def find_rim(
    view: View, axis: Axis, outline: Outline, levels: np.ndarray, half: np.ndarray, others: np.ndarray
) -> Ellipse | None:
    """The rim's ellipse, or None when there is none or too little of it is seen.

    ``levels`` and ``half`` (k,): the body's half widths along the axis, from its top on. ``others`` (h, w) uint8 at the working
    size: non-zero where another thing lies.
    """
    first = _along_axis(view, axis, outline, levels, half)
    return None if first is None else _settle(view, first, outline, others)


def find_plate(view: View, outline: Outline, others: np.ndarray) -> Ellipse | None:
    """The ellipse that most of the whole outline lies on: a plate, a saucer, a bowl seen from above."""
    use = outline.seen & ~outline.hidden
    if use.sum() < 30:
        return None
    found = fit_robust(outline.points[use][:: max(int(use.sum()) // 240, 1)], 0.01 * float(np.ptp(outline.points, axis=0).max()))
    if found is None:
        return None
    ellipse = found[0]
    if not LEAST_OPEN < ellipse.openness < ROUND or not _whole_is(outline, ellipse):
        return None
    return _settle(view, ellipse, outline, others)


def _whole_is(outline: Outline, ellipse: Ellipse) -> bool:
    """Whether the ellipse takes up the whole thing and most of its outline."""
    close = np.abs(ellipse.off(outline.points)) < 2 * CLOSE * ellipse.long
    return close[~outline.hidden].mean() > PLATE


def _along_axis(view: View, axis: Axis, outline: Outline, levels: np.ndarray, half: np.ndarray) -> Ellipse | None:
    """The best of all ellipses that begin at the top and reach from side to side at some level below."""
    if len(levels) < 10:
        return None
    top, right = float(levels[0]) - 0.5 * (levels[1] - levels[0]), axis.right
    turn = math.degrees(math.atan2(right[1], right[0]))
    local = axis.local(outline.points)
    usable = outline.seen & ~outline.hidden
    best, best_score = None, 0.0
    front = np.radians(np.arange(12, 169, 4.0))
    for level, wide in zip(levels[1:], half[1:], strict=True):
        short = level - top
        if short > MOST_OPEN * half.max():
            break
        if not LEAST_OPEN * wide < short < MOST_OPEN * wide:
            continue
        ellipse = Ellipse(axis.picture(np.array([[0.0, level]]))[0], float(wide), float(short), turn)
        above = usable & (local[:, 1] < level) & (np.abs(local[:, 0]) < 1.05 * wide)
        if above.sum() < 8:
            continue
        back = np.exp(-0.5 * (ellipse.off(outline.points[above]) / (0.5 * CLOSE * wide + 0.7)) ** 2).mean()
        if back < 0.45:
            continue
        score = back * _support(view, ellipse, front)
        if score > best_score:
            best, best_score = ellipse, score
    return best if best_score > 0.25 else None


def _support(view: View, ellipse: Ellipse, angles: np.ndarray) -> float:
    """0..1: the share of the ellipse's points at ``angles`` on an edge of its own direction, near enough."""
    out, points = ellipse.outward(angles), ellipse.at(angles)
    best = np.zeros(len(angles))
    for shift in (-1.5, 0.0, 1.5):
        at = points + shift * out
        x, y = at[:, 0].astype(np.float32)[None], at[:, 1].astype(np.float32)[None]
        strength = cv2.remap(view.edge, x, y, cv2.INTER_LINEAR)[0]
        way = cv2.remap(view.steepest, x, y, cv2.INTER_NEAREST)[0]
        aligned = np.abs((way * out).sum(1)) > 0.85
        best = np.maximum(best, np.clip(strength / LEAST_EDGE - 0.4, 0, 1) * aligned)
    return float(best.mean())


def _settle(view: View, ellipse: Ellipse, outline: Outline, others: np.ndarray) -> Ellipse | None:
    """The ellipse fitted to the picture's own edges beside it; None when too little of it is seen."""
    for share in (0.035, 0.02, 0.012):
        reach = max(share * ellipse.long, 2.5)
        edges = edges_beside(view, ellipse, reach)
        free = _free(edges.points, others)
        strong = (edges.strength > LEAST_EDGE) & free
        if strong.sum() < 30:
            return None
        found = fit_robust(edges.points[strong], max(0.35 * reach, 0.9))
        if found is None:
            return None
        moved = np.hypot(*(found[0].centre - ellipse.centre))
        if moved > 0.15 * ellipse.long or not 0.85 < found[0].long / ellipse.long < 1.18:
            return None
        ellipse = found[0]
    agreeing = strong.copy()
    agreeing[strong] = found[1]
    return ellipse if _well_seen(edges.angles, agreeing, free) and ellipse.openness > LEAST_OPEN else None


def _well_seen(angles: np.ndarray, agreeing: np.ndarray, free: np.ndarray) -> bool:
    def share(use: np.ndarray) -> float:
        return float(agreeing[use].sum() / max(free[use].sum(), 1)) if free[use].sum() > 0.25 * use.sum() else 0.0

    right, left = np.abs(angles) < np.radians(30), np.abs(angles) > np.radians(150)
    far, near = (angles < -np.radians(20)) & (angles > -np.radians(160)), (angles > np.radians(20)) & (angles < np.radians(160))
    return share(right) > ENDS and share(left) > ENDS and share(far) > BACK and share(near) > FRONT


def _free(points: np.ndarray, others: np.ndarray) -> np.ndarray:
    """(n,) bool: on the picture and on no other thing."""
    height, width = others.shape
    cells = np.round(points).astype(int)
    inside = (cells[:, 0] > 1) & (cells[:, 1] > 1) & (cells[:, 0] < width - 2) & (cells[:, 1] < height - 2)
    cells = np.clip(cells, 0, [width - 1, height - 1])
    return inside & (others[cells[:, 1], cells[:, 0]] == 0)
