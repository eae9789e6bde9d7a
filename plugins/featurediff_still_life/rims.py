"""The ellipse of a vessel's mouth: its far side is the top of the silhouette, its near side an edge within the thing."""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np

from featurediff.geometry import resample
from featurediff_still_life.ellipses import CLEAR, Ellipse, edges_beside, fit_ellipse, fit_robust
from featurediff_still_life.forms import Axis
from featurediff_still_life.outlines import Outline, on_edge
from featurediff_still_life.view import View

LEAST_OPEN, MOST_OPEN = 0.05, 0.86
LEAST_EDGE = 1.1  # L*a*b* units per working px: a near side fainter than this is none
BACK, FRONT, ENDS = 0.6, 0.6, 0.5  # shares of far side, near side and either end that must be seen
CLOSE = 0.02  # of the half width: the far side must follow the silhouette as closely
TOPS = (0.0, 0.012, 0.03)  # of the height: how far below the highest point the far side may lie, under a bump
NARROWEST = 0.26  # of the widest half width: a narrower mouth is not looked for
NEXT = 0.03  # of the short axis: step from one ellipse tried to the next
LIP = 0.16  # of the half axis: how far the near side may lie from a first guess
FAR_REACH = 0.1  # of the half axis: how far the far side is looked for beside a first guess
OUTERMOST = 0.75  # an edge at least this clear beside the clearest is taken for the outer one
CLOSE_BACK = 0.8  # working px: how closely the far side must follow the silhouette
BODY_BELOW = 0.05  # of the long half axis: a vessel's body shows so far below its rim
LEAST_LIP, MOST_LIP = 2.5, 0.14  # working px, and share of the long half axis: how thick a lip is looked for
LEAST_APART = 2.5  # working px: nearer edges are one
LEAST_SHOWN = 0.2  # share of the way round on which a lip must show two edges
LIP_EDGE, LIP_DIP = 1.3, 1.04  # L*a*b* units per working px of a lip's inner edge, and times what lies before it
LIP_SLOPE = 0.5  # of the outer edge's steepness: an edge by itself is flatter already so near by
PLATE = 0.6  # share of the outline that must lie on one ellipse to call the whole thing a plate
ROUND = 0.88  # openness beyond which an outline is a ball's rather than a plate's


def find_rim(
    view: View, axis: Axis, outline: Outline, levels: np.ndarray, half: np.ndarray, others: np.ndarray
) -> Ellipse | None:
    """The rim's ellipse, or None when there is none or too little of it is seen.

    ``levels`` and ``half`` (k,): the body's half widths along the axis, from its top on. ``others`` (h, w) uint8 at the working
    size: non-zero where another thing lies.
    """
    first = _along_axis(view, axis, outline, levels, half)
    rim = None if first is None else _settle(view, first, outline, others)
    rim = rim and (_on_silhouette(view, rim, axis, others) or rim)
    if rim is None or rim.long < NARROWEST * half.max():
        return None
    below = axis.local(outline.points)[:, 1].max() - axis.local(rim.at(np.radians([0.0, 90.0, 180.0])))[:, 1].max()
    return rim if below > BODY_BELOW * rim.long else None


def _on_silhouette(view: View, rim: Ellipse, axis: Axis, others: np.ndarray) -> Ellipse | None:
    """The rim with the silhouette for its far side and both ends, and the outermost clear edge for its near side.

    A lip has an inner and an outer edge, and the inner one is often the clearer. The silhouette belongs to the outer one; with
    it given, only how far forward the near side comes is left to find: each place is tried.
    """
    back = _far_side(view, rim)
    if len(back) < 12 or np.ptp(axis.local(back)[:, 0]) < 1.6 * rim.long:
        return None
    front = np.radians(np.arange(18, 163, 3.0))
    reach = LIP * rim.long * rim.openness + 3.0
    tried = []
    for forward in np.arange(-reach, reach + 0.5, 0.75):
        near = rim.at(front) + (forward * np.sin(front))[:, None] * rim.outward(front)
        ellipse = fit_ellipse(np.vstack([back, near]))
        if ellipse is None:
            continue
        off = float(np.median(np.abs(ellipse.off(back))))
        tried.append((_clearness(view, ellipse, front) * np.exp(-0.5 * (off / CLOSE_BACK) ** 2), ellipse))
    if len(tried) < 3:
        return None
    scores = np.array([score for score, _ in tried])
    peaks = [k for k in range(1, len(tried) - 1) if scores[k] >= max(scores[k - 1], scores[k + 1], OUTERMOST * scores.max())]
    if not peaks:
        return None
    ellipse = tried[peaks[-1]][1]
    edges = edges_beside(view, ellipse, 1.5)
    use = (edges.angles > np.radians(15)) & (edges.angles < np.radians(165)) & (edges.strength > LEAST_EDGE)
    use &= _free(edges.points, others)
    if use.sum() < 0.5 * FRONT * len(edges.angles) * 150 / 360:
        return None
    found = fit_robust(np.vstack([resample(back, 2.0), edges.points[use]]), 1.0)
    if found is None or not 0.9 < found[0].long / rim.long < 1.2 or np.hypot(*(found[0].centre - rim.centre)) > 0.1 * rim.long:
        return None
    return found[0]


def _clearness(view: View, ellipse: Ellipse, angles: np.ndarray) -> float:
    """0..1: how clear an edge of its own direction the ellipse has right under it at ``angles``."""
    at, out = ellipse.at(angles).astype(np.float32), ellipse.outward(angles)
    strength = cv2.remap(view.edge, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR)[0]
    way = cv2.remap(view.steepest, at[None, :, 0], at[None, :, 1], cv2.INTER_NEAREST)[0]
    return float((np.minimum(strength / CLEAR, 1.0) * (np.abs((way * out).sum(1)) > 0.85)).mean())


def _far_side(view: View, rim: Ellipse) -> np.ndarray:
    """(n, 2): the rim's outer edge from its left end over the far side to its right end, coming from outside.

    What has been told apart coarsely may follow the inner edge of a lip where another thing is right behind it.
    """
    angles = np.radians(np.linspace(-184, 4, max(round(1.6 * rim.long), 24)))
    reach = float(np.clip(FAR_REACH * rim.long, 3.5, 9.0))
    grown = rim.at(angles) + 0.35 * reach * rim.outward(angles)
    edge = on_edge(view, grown, closed=False, reach=reach, smooth=0.8)
    return edge.points[edge.seen & ~edge.hidden]


def find_inner(view: View, rim: Ellipse, others: np.ndarray) -> Ellipse | None:
    """The inner edge of the rim's lip, or None when no second edge runs all along within the first.

    Both circles have one axis and lie nearly level, so in the picture the inner ellipse is the outer one made smaller about a
    centre a little above or below its own: two numbers, of which all are tried. A rounded lip has a highlight between its edges;
    the edge meant is the innermost, where the inside of the vessel begins.
    """
    angles = np.radians(np.arange(-180, 180, 4.0))
    free = _free(rim.at(angles), others)
    # How thick a lip of 1 px at its ends is in the picture, along the normal at each angle.
    thick = (rim.outward(angles) * (rim.at(angles) - rim.centre)).sum(1) / rim.long
    own = _strength(view, rim, angles[free])
    strengths, found = [], []
    for width in np.arange(LEAST_LIP, MOST_LIP * rim.long + 1.0, 0.5):
        use = free & (width * thick > LEAST_APART)
        if use.sum() < LEAST_SHOWN * len(angles):
            continue
        tried = []
        for lower in np.linspace(-0.5, 0.5, 7) * width * rim.openness:
            grown = 1.0 - width / rim.long
            inner = Ellipse(rim.centre + lower * rim.axes[1], grown * rim.long, grown * rim.short, rim.turn)
            tried.append((_strength(view, inner, angles[use]), inner))
        strength, inner = max(tried, key=lambda each: each[0])
        strengths.append(strength)
        found.append(inner)
    for k in range(len(found) - 2, 0, -1):
        peak = strengths[k] >= max(strengths[k - 1], strengths[k + 1])
        if peak and strengths[k] > max(LIP_EDGE, LIP_DIP * min(strengths[: k + 1])):
            return found[k]
    # No edge by itself: a rounded lip is one slope from edge to edge, which ends with the inner one.
    if not found or strengths[0] < LIP_SLOPE * own:
        return None
    wide = [k for k, each in enumerate(strengths) if each >= 0.5 * strengths[0]]
    return found[max(wide[-1] - 1, 0)] if strengths[0] > LIP_EDGE and wide[-1] < len(found) - 1 else None


def _strength(view: View, ellipse: Ellipse, angles: np.ndarray) -> float:
    """Mean steepness of the edge of its own direction right under an ellipse, L*a*b* units per working px."""
    at, out = ellipse.at(angles).astype(np.float32), ellipse.outward(angles)
    strength = cv2.remap(view.edge, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR)[0]
    way = cv2.remap(view.steepest, at[None, :, 0], at[None, :, 1], cv2.INTER_NEAREST)[0]
    return float((strength * (np.abs((way * out).sum(1)) > 0.85)).mean())


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
    own = math.degrees(math.atan2(axis.right[1], axis.right[0]))
    local = axis.local(outline.points)
    usable = outline.seen & ~outline.hidden
    first, height = float(levels[0]) - 0.5 * (levels[1] - levels[0]), float(levels[-1] - levels[0])
    best, best_score = None, 0.25
    # Seen from straight ahead a rim lies level, whichever way the vessel leans.
    for top, turn in itertools.product(first + height * np.array(TOPS), (own, 0.0)):
        reached = top
        for level, wide in zip(levels[1:], half[1:], strict=True):
            short = level - top
            if level < reached + NEXT * short:
                continue
            if not LEAST_OPEN * wide < short < MOST_OPEN * wide or wide < NARROWEST * half.max():
                continue
            reached = level
            above = usable & (local[:, 1] < level) & (np.abs(local[:, 0]) < 1.05 * wide)
            if above.sum() < 8:
                continue
            ellipse = Ellipse(axis.picture(np.array([[0.0, level]]))[0], float(wide), float(short), turn)
            back = np.exp(-0.5 * (ellipse.off(outline.points[above]) / (0.5 * CLOSE * wide + 0.7)) ** 2).mean()
            larger = (wide / half.max()) ** 0.3
            if back < 0.45 or back * larger < best_score:
                continue
            score = back * larger * _support(view, ellipse)
            if score > best_score:
                best, best_score = ellipse, score
    return best


def _support(view: View, ellipse: Ellipse) -> float:
    """0..1: the share of the ellipse's near side that lies on an edge of its own direction."""
    angles = np.radians(np.arange(12, 169, 4.0))
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
