"""Axis and symmetry: the line about which most of an outline mirrors itself, and the half widths beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff_still_life.outlines import smoothed

MOST_LEAN = 14.0  # degrees from plumb within which an axis is looked for
# A point mirrors another when it comes this close to the outline, as a share of the height (or width, if larger).
CLOSE = 0.012
# Share of the visible outline that must have its mirror image; a vessel that shows its rim may have a handle and a spout.
SYMMETRIC, WITH_RIM = 0.62, 0.4
LEAST_COUNTED = 0.6  # share of the seen outline that a symmetry must rest on
PROTRUDES = 0.045  # of the width: one side standing out further than the other by this much is a handle or a spout
CLOSES = 0.08  # of the levels: so near its ends a body closes
JUMP = 0.2  # of the half width: a side that widens so much from one level to the next has a spout's root, or a handle's
LEVEL = 2.0  # working px between levels


@dataclass(frozen=True)
class Loop:
    """A closed outline. ``points`` (n, 2) px; ``use`` (n,) bool: seen, with nothing in front."""

    points: np.ndarray
    use: np.ndarray


@dataclass(frozen=True)
class Axis:
    """A point (2,) on the axis, its unit direction ``down`` (2,) and ``right`` (2,) square to it; ``share`` of the outline that
    mirrors itself about it."""

    point: np.ndarray
    down: np.ndarray
    share: float

    @property
    def right(self) -> np.ndarray:
        """Unit vector square to the axis, towards the picture's right."""
        return np.array([self.down[1], -self.down[0]])

    @property
    def lean(self) -> float:
        """Degrees by which the axis leans clockwise from plumb."""
        return math.degrees(math.atan2(-self.down[0], self.down[1]))

    def local(self, points: np.ndarray) -> np.ndarray:
        """(n, 2): how far right of the axis and how far down along it, px."""
        arm = points - self.point
        return np.column_stack([arm @ self.right, arm @ self.down])

    def picture(self, local: np.ndarray) -> np.ndarray:
        """Back from `local`."""
        return self.point + local[:, :1] * self.right + local[:, 1:] * self.down


def find_axis(loops: list[Loop]) -> Axis | None:
    """The axis about which most of closed outlines mirrors itself, leaning at most `MOST_LEAN`.

    Method: candidate axes are scored by how near to the outline the mirrored outline falls (distance transform), and the
    best is refined on the middles between both sides. None when there is too little to go by.
    """
    points, use = np.vstack([loop.points for loop in loops]), np.concatenate([loop.use for loop in loops])
    after = np.vstack([np.roll(loop.points, -1, 0) for loop in loops])
    if use.sum() < 20:
        return None
    low, high = points.min(0), points.max(0)
    size = float(max(high - low))
    shrink = min(1.0, 220.0 / size)
    pad = 12
    line, to = (points - low) * shrink + pad, (after - low) * shrink + pad
    shape = np.ceil((high - low) * shrink).astype(int) + 2 * pad
    canvas = np.full((shape[1], shape[0]), 255, np.uint8)
    for start, stop, here in zip(line, to, use, strict=True):
        if here:
            cv2.line(canvas, tuple(np.round(start * 16).astype(int)), tuple(np.round(stop * 16).astype(int)), 0, 1, shift=4)
    away = cv2.distanceTransform(canvas, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    hidden = np.full(canvas.shape, 255, np.uint8)
    cells = np.round(line[~use]).astype(int)
    hidden[cells[:, 1], cells[:, 0]] = 0
    unseen = cv2.distanceTransform(hidden, cv2.DIST_L2, 3) if len(cells) else None
    sample = line[use][:: max(int(use.sum()) // 160, 1)]
    near = max(CLOSE * size * shrink, 1.2)
    width = float(np.ptp(line[:, 0]))
    best = (0.0, 0.0, float(np.median(line[:, 0])))
    span, leans = 0.3 * width, np.arange(-MOST_LEAN, MOST_LEAN + 1, 2.0)
    centre = line.mean(0)
    places = (line[:, 0].min() + line[:, 0].max()) / 2 + np.linspace(-span, span, 31)
    for _ in range(3):
        for lean in leans:
            scores = _mirror_scores(away, unseen, sample, centre[1], places, lean, near)
            k = int(scores.argmax())
            if scores[k] > best[0]:
                best = (float(scores[k]), float(lean), float(places[k]))
        step_lean, step = leans[1] - leans[0], places[1] - places[0]
        leans, places = best[1] + step_lean * np.linspace(-1, 1, 7), best[2] + step * np.linspace(-1, 1, 9)
    share, lean, place = best
    angle = math.radians(lean)
    down = np.array([-math.sin(angle), math.cos(angle)])
    axis = Axis((np.array([place, centre[1]]) - pad) / shrink + low, down, share)
    axis = _settled(axis, loops, size)
    return axis if abs(axis.lean) <= MOST_LEAN + 2 else None


def _mirror_scores(
    away: np.ndarray, unseen: np.ndarray | None, sample: np.ndarray, level: float, places: np.ndarray, lean: float, near: float
) -> np.ndarray:
    """(k,): for axes through (places, level) the share of the sample whose mirror image lies near the outline.

    ``away`` and ``unseen`` (h, w): distance from the seen and from the hidden outline. Points whose mirror image falls on a
    hidden stretch are left out, as long as enough remain.
    """
    angle = math.radians(lean)
    right = np.array([math.cos(angle), math.sin(angle)])
    across = sample @ right - places[:, None] * right[0] - level * right[1]
    mirrored = (sample[None] - 2 * across[..., None] * right).astype(np.float32)
    found = cv2.remap(away, mirrored[..., 0], mirrored[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1e3)
    scores = np.exp(-0.5 * (found / near) ** 2)
    if unseen is None:
        return scores.mean(1)
    hidden = cv2.remap(
        unseen, mirrored[..., 0], mirrored[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1e3
    )
    counted = (hidden > 4 * near) | (scores > 0.3)
    return (scores * counted).sum(1) / np.maximum(counted.sum(1), LEAST_COUNTED * sample.shape[0])


def _settled(axis: Axis, loops: list[Loop], size: float) -> Axis:
    """The axis refined: a robust line through the middles between the two sides, level by level."""
    for _ in range(3):
        widths = half_widths(axis, loops)
        levels, left, right = widths.levels, *widths.inner
        middles = 0.5 * (right - left)
        wide = 0.5 * (left + right)
        good = np.isfinite(middles) & (np.abs(middles) < max(0.02 * size, 2.0)) & (wide > 0.12 * np.nanmax(wide, initial=1.0))
        if good.sum() < 8:
            return axis
        weights = np.ones(int(good.sum()))
        for _ in range(6):
            slope, offset = np.polyfit(levels[good], middles[good], 1, w=np.sqrt(weights))
            off = middles[good] - slope * levels[good] - offset
            scale = max(1.4826 * float(np.median(np.abs(off))), 0.15)
            weights = 1.0 / (1.0 + (off / (2 * scale)) ** 2) ** 2
        # Middles of a short stretch tell a place, not a direction.
        if np.ptp(levels[good]) < 0.35 * np.ptp(levels):
            slope, offset = 0.0, float(np.average(middles[good], weights=weights))
        down = axis.down + slope * axis.right
        axis = Axis(axis.point + offset * axis.right, down / np.hypot(*down), axis.share)
    return axis


@dataclass(frozen=True)
class Widths:
    """How far a thing reaches at each of ``levels`` (k,) along its axis, px.

    ``inner`` (2, k): left and right of the axis to where the thing first ends; ``outer`` (2, k): to where it ends at last, beyond
    the space inside a handle. NaN where not seen.
    """

    levels: np.ndarray
    inner: np.ndarray
    outer: np.ndarray


def half_widths(axis: Axis, loops: list[Loop]) -> Widths:
    """The widths of closed outlines, the outer one first."""
    start = np.vstack([axis.local(loop.points) for loop in loops])
    stop = np.vstack([np.roll(axis.local(loop.points), -1, 0) for loop in loops])
    use = np.concatenate([loop.use & np.roll(loop.use, -1) for loop in loops])
    levels = np.arange(start[:, 1].min() + 0.5 * LEVEL, start[:, 1].max(), LEVEL)
    segment, level = np.nonzero((start[:, 1:] <= levels) != (stop[:, 1:] <= levels))
    t = (levels[level] - start[segment, 1]) / (stop[segment, 1] - start[segment, 1])
    across = start[segment, 0] + t * (stop[segment, 0] - start[segment, 0])
    inner, outer = np.full((2, len(levels)), np.inf), np.full((2, len(levels)), -np.inf)
    first_hidden = np.full((2, len(levels)), np.inf)
    side = (across > 0).astype(int)
    seen = use[segment]
    np.minimum.at(inner, (side[seen], level[seen]), np.abs(across[seen]))
    np.maximum.at(outer, (side[seen], level[seen]), np.abs(across[seen]))
    np.minimum.at(first_hidden, (side[~seen], level[~seen]), np.abs(across[~seen]))
    lost = (first_hidden <= inner) | ~np.isfinite(inner)
    inner[lost], outer[lost | ~np.isfinite(outer)] = np.nan, np.nan
    return Widths(levels, inner, outer)


def stands_out(widths: Widths) -> tuple[np.ndarray, np.ndarray]:
    """(2, k) bool each, left and right: levels at which a handle or spout grows from the body, and at which one stands beside it.

    Where it grows the body's own edge is not seen; beside it, it is.
    """
    left, right = widths.inner
    widest = np.nanmax(np.fmin(left, right), initial=1.0)
    limit = PROTRUDES * 2 * widest
    apart = np.nan_to_num(left - right)
    grows = np.array([apart > limit, apart < -limit])
    # Whether upwards or downwards, a body does not widen all at once on one side: there something begins that grows from it, and
    # a handle and a spout at one level may reach out alike.
    for way in (slice(None), slice(None, None, -1)):
        grows[:, way] |= _after_jump(widths.inner[:, way], JUMP * widest, limit)
    return grows, np.nan_to_num(widths.outer - widths.inner) > limit


def _after_jump(inner: np.ndarray, jump: float, limit: float) -> np.ndarray:
    """(2, k) bool: levels of a side from a sudden widening on, until it is back or like the other side, with nothing on that."""
    out, on, before = np.zeros(inner.shape, bool), np.zeros(2, bool), np.zeros(2)
    steps = np.nan_to_num(np.diff(inner, axis=1, prepend=inner[:, :1])) > jump
    closing = CLOSES * inner.shape[1]
    for k in range(1, inner.shape[1]):
        # A body may widen suddenly on both sides at once.
        begins = steps[:, k] & ~on & (not steps[:, max(k - 1, 0) : k + 2].any(1).all())
        # At its top and its foot a body closes; where one side is hidden there, the other does not stand out for it.
        begins &= (k >= closing) | np.isfinite(inner[::-1, k])
        # Rounded by a pixel or two, it begins a level earlier.
        before[begins] = np.fmin(inner[begins, k - 1], inner[begins, max(k - 2, 0)])
        alike = ~(on | begins)[::-1] & (inner[:, k] - inner[::-1, k] <= limit)
        on = begins | (on & ~alike & ~(inner[:, k] <= before + 0.5 * jump))
        out[:, k] = on & np.isfinite(inner[:, k])
    return out


def body_half_width(widths: Widths) -> np.ndarray:
    """(k,) half width of the symmetric body at each level: the lesser side, or the one that is seen; gaps are bridged."""
    half = np.fmin(*widths.inner)
    good = np.isfinite(half)
    if not good.any():
        return np.zeros_like(half)
    at = np.arange(len(half))
    return smoothed(np.interp(at, at[good], half[good]), 1.0, closed=False)
