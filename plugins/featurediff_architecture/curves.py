"""Round parts: domes, arches, the rims of round towers, as smooth arcs.

The line segment detector breaks a curve into short segments, each turned a little further than the one before. Chains of such
segments, that turn one way all along and lie on one ellipse, are arcs.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff_architecture.clutter import TANGLED, Ground
from featurediff_architecture.working import Working, sample

# Segments follow each other when the gap is at most this many px, or this share of the shorter one.
GAP, GAP_SHARE = 7.0, 0.5
# Each is turned by this much against the one before, degrees; all of a chain together by at least `ROUND`.
STRAIGHT, SHARP = 1.0, 36.0
ROUND = 45.0
FEWEST = 4
# One segment that makes up more than this share of a chain is a straight line with something at its end.
MOSTLY = 0.45
# An arc lies within this share of the building's size of its ellipse, is at least so long, and has this slope across.
ELLIPTIC, LONG_ENOUGH = 0.006, 0.14
CLEAR = 2.0
# So large a share of the arc has its steepest place within so many px of it.
BACKED, ON = 0.8, 1.6
AT_MOST = 6
# Arcs this near to each other, in shares of the size, are one.
DOUBLE = 0.04
# A line within this many px of an arc is a piece of it.
PIECE = 5.0
POINTS = 25
# An arc goes on along its ellipse, in steps of so much of the circle, while the slope is this share of the arc's own.
STEP, SHOWS = np.radians(3.0), 0.12


@dataclass(frozen=True)
class Arc:
    """``points`` (n, 2) working px, left to right or top to bottom, ``turn`` degrees, ``step`` mean slope across.

    Its middle lies above its ends. ``sky``: there is sky outside it.
    """

    points: np.ndarray
    turn: float
    step: float
    sky: bool

    @property
    def length(self) -> float:
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())

    @property
    def rise(self) -> float:
        """Height of the curve over its width, 0.5 for half a circle."""
        return float(np.ptp(self.points[:, 1]) / max(np.ptp(self.points[:, 0]), 1e-6))


def find_arcs(
    segments: np.ndarray, working: Working, ground: Ground, box: tuple[np.ndarray, np.ndarray], size: float
) -> tuple[Arc, ...]:
    """Clear arcs within ``box``, longest and clearest first; ``segments`` (n, 2, 2) as detected, with one side of the edge always
    on one hand."""
    arcs = [arc for chain in _chains(segments) if (arc := _arc(segments[chain], working, ground, size)) is not None]
    low, high = box[0] - [0.02 * size, 0.5 * size], box[1] + [0.02 * size, 0.0]
    arcs = [arc for arc in arcs if ((arc.points > low) & (arc.points < high)).all(1).mean() > 0.9]
    arcs.sort(key=lambda arc: -arc.length * min(arc.step, 10.0) * (1.5 if arc.sky else 1.0))
    kept: list[Arc] = []
    for arc in arcs:
        if len(kept) < AT_MOST and not any(_double(arc, other, DOUBLE * size) for other in kept):
            kept.append(arc)
    return tuple(kept)


def _chains(segments: np.ndarray) -> list[list[int]]:
    """Chains of segment numbers that follow each other and turn one way."""
    if len(segments) < FEWEST:
        return []
    vector = segments[:, 1] - segments[:, 0]
    length = np.hypot(*vector.T)
    angle = np.degrees(np.arctan2(vector[:, 1], vector[:, 0]))
    found = []
    for way in (1.0, -1.0):
        after = _successors(segments, length, angle, way)
        first = [k for k in range(len(segments)) if k in after and k not in set(after.values())]
        for k in first:
            chain = [k]
            while chain[-1] in after and after[chain[-1]] not in chain:
                chain.append(after[chain[-1]])
            if len(chain) >= FEWEST:
                found.append(chain)
    return found


def _successors(segments, length, angle, way) -> dict[int, int]:
    """The segment that follows each, where one does, turned clockwise (``way`` 1) or anticlockwise (-1)."""
    apart = np.abs(segments[None, :, 0] - segments[:, None, 1]).max(2)
    first, second = np.nonzero(apart < np.maximum(GAP, GAP_SHARE * length)[:, None])
    gap = np.hypot(*(segments[second, 0] - segments[first, 1]).T)
    turn = way * ((angle[second] - angle[first] + 180.0) % 360.0 - 180.0)
    short, long = np.minimum(length[first], length[second]), np.maximum(length[first], length[second])
    fits = (gap < np.maximum(GAP, GAP_SHARE * short)) & (turn > STRAIGHT) & (turn < SHARP) & (long < 5 * short)
    best: dict[int, tuple[float, int]] = {}
    done: set[int] = set()
    for pair in np.flatnonzero(fits)[np.argsort((gap + 0.2 * turn)[fits], kind="stable")]:
        k, j = int(first[pair]), int(second[pair])
        if k in done:
            continue
        done.add(k)
        # Of two that claim one follower, the nearer keeps it.
        if j not in best or gap[pair] < best[j][0]:
            best[j] = (float(gap[pair]), k)
    return {k: j for j, (_, k) in best.items()}


def _arc(chain: np.ndarray, working: Working, ground: Ground, size: float) -> Arc | None:
    """The arc of a chain of segments (k, 2, 2), or None when it is none of a building."""
    points = chain.reshape(-1, 2)
    # The ends of segments lie on the curve, or nearly; ellipses need five points.
    if float(np.hypot(*np.diff(points, axis=0).T).sum()) < LONG_ENOUGH * size:
        return None
    vector = chain[:, 1] - chain[:, 0]
    if np.hypot(*vector.T).max() > MOSTLY * np.hypot(*vector.T).sum():
        return None
    angle = np.unwrap(np.arctan2(vector[:, 1], vector[:, 0]))
    turn = abs(float(np.degrees(angle[-1] - angle[0])))
    middles = np.vstack([points, chain.mean(1)]).astype(np.float32)
    ellipse = cv2.fitEllipseDirect(middles.reshape(-1, 1, 2))
    if turn < ROUND or not _sound(ellipse) or _residual(ellipse, points) > max(ELLIPTIC * size, 1.5):
        return None
    curve = _carried_on(ellipse, points, working)
    for _ in range(3):
        # What was added shows the ellipse better than the piece did.
        peaks = _peaks(curve, working)
        ellipse = cv2.fitEllipseDirect(peaks.astype(np.float32).reshape(-1, 1, 2)) if len(peaks) > 8 else ellipse
        if not _sound(ellipse) or _residual(ellipse, points) > max(ELLIPTIC * size, 1.5):
            return None
        curve = _carried_on(ellipse, points, working)
    near = np.hypot(*(_peaks(curve, working)[:, None] - curve[None]).transpose(2, 0, 1)).min(1) if len(curve) else np.zeros(0)
    if (near < ON).sum() < BACKED * len(curve):
        return None
    tangent = np.gradient(curve, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    step = np.abs(np.einsum("nc,nc->n", sample(working.gradient, curve[None])[0], normal))
    tangled = (ground.at(ground.tangle, curve[None])[0] > TANGLED).mean()
    out = np.array(ellipse[0]) - curve
    outward = normal * np.where((normal * out).sum(1) > 0, -1.0, 1.0)[:, None]
    sky_out, sky_in = (float(ground.at(ground.sky, (curve + s * 10.0 * outward)[None]).mean()) for s in (1.0, -1.0))
    if np.median(step) < CLEAR or (tangled > 0.5 and sky_out < 0.5) or sky_in > 0.4:
        return None
    if sky_out > 0.5:
        # A dome ends where its outline turns inwards again.
        low, high = sorted((int(curve[:, 0].argmin()), int(curve[:, 0].argmax())))
        top = int(curve[:, 1].argmin())
        if low < top < high:
            curve = _even(curve[low : high + 1])
    rises = curve[POINTS // 2, 1] < 0.5 * (curve[0, 1] + curve[-1, 1])
    if not rises:
        return None  # hanging curves are wires, wheels and foliage
    axis = 0 if abs(curve[-1, 0] - curve[0, 0]) >= abs(curve[-1, 1] - curve[0, 1]) else 1
    curve = curve if curve[0, axis] <= curve[-1, axis] else curve[::-1]
    tangent = np.unwrap(np.arctan2(*np.diff(curve, axis=0).T[::-1]))
    turn = abs(float(np.degrees(tangent[-1] - tangent[0])))
    return Arc(curve, turn, float(np.median(step)), sky_out > 0.5)


def _parameters(ellipse, points: np.ndarray) -> np.ndarray:
    """Points (n, 2) in the ellipse's own unit circle."""
    (cx, cy), (width, height), degrees = ellipse
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    rel = points - [cx, cy]
    return np.column_stack([rel @ [c, s] / (width / 2), rel @ [-s, c] / (height / 2)])


def _residual(ellipse, points: np.ndarray) -> float:
    """Root mean square distance of points (n, 2) to the ellipse, to first order."""
    unit = _parameters(ellipse, points)
    radius = np.hypot(*unit.T)
    near = np.array(ellipse[1]) / 2
    slope = np.hypot(unit[:, 0] / radius / near[0], unit[:, 1] / radius / near[1])
    return float(np.sqrt((((radius - 1.0) / slope) ** 2).mean()))


def _sound(ellipse) -> bool:
    (x, y), axes, _ = ellipse
    return bool(np.isfinite([x, y, *axes]).all()) and min(axes) > 8.0 and max(axes) < 20 * min(axes)


def _carried_on(ellipse, points: np.ndarray, working: Working) -> np.ndarray:
    """`POINTS` points of the ellipse from the first of ``points`` to the last, and on at both ends as far as its edge shows."""
    unit = _parameters(ellipse, points)
    t = np.unwrap(np.arctan2(unit[:, 1], unit[:, 0]))
    first, last = t[0], t[-1]
    way = 1.0 if last > first else -1.0
    least = max(SHOWS * float(np.median(_slope(ellipse, np.linspace(first, last, 20), working))), 1.0)
    room = max(1.9 * np.pi - abs(last - first), 0.0) / 2
    steps = np.arange(1, max(int(room / STEP), 1)) * STEP
    ahead, behind = (_reach(_slope(ellipse, start + s * way * steps, working) > least) for start, s in ((last, 1), (first, -1)))
    at = np.linspace(first - way * behind * STEP, last + way * ahead * STEP, 4 * POINTS)
    return _even(_at(ellipse, at))


def _even(curve: np.ndarray) -> np.ndarray:
    """`POINTS` points at equal steps along a curve (n, 2)."""
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    even = np.linspace(0.0, arc[-1], POINTS)
    return np.column_stack([np.interp(even, arc, curve[:, k]) for k in range(2)])


def _peaks(curve: np.ndarray, working: Working) -> np.ndarray:
    """The steepest places within 5 px across a curve (n, 2), where there is one."""
    tangent = np.gradient(curve, axis=0)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    across = np.arange(-5.0, 5.1)
    slope = sample(working.gradient, curve[:, None] + across[None, :, None] * normal[:, None])
    slope = np.abs(np.einsum("nqc,nc->nq", slope, normal)) * (1.0 - 0.08 * np.abs(across))
    return (curve + across[slope.argmax(1)][:, None] * normal)[slope.max(1) > CLEAR]


def _reach(shows: np.ndarray) -> int:
    """How many steps an edge goes on, over gaps of two; none when it does not go on at once."""
    reach = 0
    for k, here in enumerate(shows):
        if here:
            reach = k + 1
        elif k - reach >= 2:
            break
    return reach


def _at(ellipse, t: np.ndarray) -> np.ndarray:
    """Points (n, 2) of the ellipse at parameters ``t``."""
    (x, y), (width, height), degrees = ellipse
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.column_stack([np.cos(t) * width / 2, np.sin(t) * height / 2]) @ np.array([[c, s], [-s, c]]) + [x, y]


def _slope(ellipse, t: np.ndarray, working: Working) -> np.ndarray:
    """(n,) slope across the ellipse at parameters ``t``, the steepest within 2 px."""
    points = _at(ellipse, t)
    tangent = _at(ellipse, t + 1e-3) - points
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
    grid = points[:, None] + np.arange(-2.0, 2.1)[None, :, None] * normal[:, None]
    return np.abs(np.einsum("nqc,nc->nq", sample(working.gradient, grid), normal)).max(1)


def along_arcs(ends: np.ndarray, arcs: tuple[Arc, ...]) -> np.ndarray:
    """(n,) True for lines (n, 2, 2) that are only pieces of an arc."""
    found = np.zeros(len(ends), bool)
    on = ends[:, :1] + np.array([0.1, 0.5, 0.9])[None, :, None] * (ends[:, 1:] - ends[:, :1])
    for arc in arcs:
        gap = np.hypot(*(on[:, :, None] - arc.points[None, None]).transpose(3, 0, 1, 2)).min(2)
        found |= (gap < 0.6 * arc.length / POINTS + PIECE).all(1)
    return found


def _double(arc: Arc, other: Arc, near: float) -> bool:
    gap = np.hypot(*(arc.points[:, None] - other.points[None]).transpose(2, 0, 1)).min(1)
    return bool((gap < near).mean() > 0.5)
