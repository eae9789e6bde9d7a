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
SYMMETRIC = 0.62  # share of the visible outline that must have its mirror image
PROTRUDES = 0.045  # of the width: one side standing out further than the other by this much is a handle or a spout
LEVEL = 2.0  # working px between levels


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


def find_axis(points: np.ndarray, use: np.ndarray) -> Axis | None:
    """The axis about which most of a closed outline (n, 2) mirrors itself; ``use`` (n,) bool leaves points out.

    Method: candidate axes are scored by how near to the outline the mirrored outline falls (distance transform), and the
    best is refined on the middles between both sides. None for fewer than 20 usable points.
    """
    if use.sum() < 20:
        return None
    low, high = points.min(0), points.max(0)
    size = float(max(high - low))
    shrink = min(1.0, 220.0 / size)
    pad = 12
    line = (points - low) * shrink + pad
    shape = np.ceil((high - low) * shrink).astype(int) + 2 * pad
    canvas = np.full((shape[1], shape[0]), 255, np.uint8)
    for start, stop, here in zip(line, np.roll(line, -1, 0), use, strict=True):
        if here:
            cv2.line(canvas, tuple(np.round(start * 16).astype(int)), tuple(np.round(stop * 16).astype(int)), 0, 1, shift=4)
    away = cv2.distanceTransform(canvas, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    sample = line[use][:: max(int(use.sum()) // 160, 1)]
    near = max(CLOSE * size * shrink, 1.2)
    middle, width = np.median(line[:, 0]), float(np.ptp(line[:, 0]))
    best = (0.0, 0.0, middle)
    span, leans = 0.3 * width, np.arange(-MOST_LEAN, MOST_LEAN + 1, 2.0)
    centre = line.mean(0)
    places = (line[:, 0].min() + line[:, 0].max()) / 2 + np.linspace(-span, span, 31)
    for _ in range(3):
        for lean in leans:
            scores = _mirror_scores(away, sample, centre[1], places, lean, near)
            k = int(scores.argmax())
            if scores[k] > best[0]:
                best = (float(scores[k]), float(lean), float(places[k]))
        step_lean, step = leans[1] - leans[0], places[1] - places[0]
        leans, places = best[1] + step_lean * np.linspace(-1, 1, 7), best[2] + step * np.linspace(-1, 1, 9)
    share, lean, place = best
    angle = math.radians(lean)
    down = np.array([-math.sin(angle), math.cos(angle)])
    axis = Axis((np.array([place, centre[1]]) - pad) / shrink + low, down, share)
    return _settled(axis, points, use, size)


def _mirror_scores(
    away: np.ndarray, sample: np.ndarray, level: float, places: np.ndarray, lean: float, near: float
) -> np.ndarray:
    """(k,): for axes through (places, level) the share of the sample whose mirror image lies near the outline."""
    angle = math.radians(lean)
    right = np.array([math.cos(angle), math.sin(angle)])
    across = sample @ right - places[:, None] * right[0] - level * right[1]
    mirrored = sample[None] - 2 * across[..., None] * right
    found = cv2.remap(away, mirrored[..., 0].astype(np.float32), mirrored[..., 1].astype(np.float32), cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_CONSTANT, borderValue=1e3)  # fmt: skip
    return np.exp(-0.5 * (found / near) ** 2).mean(1)


def _settled(axis: Axis, points: np.ndarray, use: np.ndarray, size: float) -> Axis:
    """The axis refined: a robust line through the middles between the two sides, level by level."""
    for _ in range(3):
        levels, left, right = half_widths(axis, points, use)
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


def half_widths(axis: Axis, points: np.ndarray, use: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """``levels`` (k,) along the axis, and how far the outline reaches left and right of it at each, px; NaN where not seen.

    ``points`` (n, 2) closed, ``use`` (n,) bool.
    """
    local = axis.local(points)
    low, high = local[:, 1].min(), local[:, 1].max()
    levels = np.arange(low + 0.5 * LEVEL, high, LEVEL)
    after, both = np.roll(local, -1, 0), use & np.roll(use, -1)
    reach = np.full((2, len(levels)), -np.inf)
    spoilt = np.zeros((2, len(levels)), bool)
    for start, stop, here in zip(local, after, both, strict=True):
        first, last = np.searchsorted(levels, sorted((start[1], stop[1])))
        if first == last:
            continue
        t = (levels[first:last] - start[1]) / (stop[1] - start[1])
        across = start[0] + t * (stop[0] - start[0])
        for side, value in ((0, -across), (1, across)):
            mine = value > 0
            where = np.arange(first, last)[mine]
            if here:
                reach[side, where] = np.maximum(reach[side, where], value[mine])
            else:
                spoilt[side, where] = True
    reach[spoilt | ~np.isfinite(reach)] = np.nan
    return levels, reach[0], reach[1]


def stands_out(levels: np.ndarray, left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k,) bool each: levels at which the left or the right side stands out beyond the other: a handle, a spout."""
    width = np.nanmax(np.fmin(left, right), initial=1.0) * 2
    more = np.nan_to_num(left - right)
    return more > PROTRUDES * width, more < -PROTRUDES * width


def body_half_width(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """(k,) half width of the symmetric body at each level: the lesser side, or the one that is seen; gaps are bridged."""
    half = np.fmin(left, right)
    good = np.isfinite(half)
    if not good.any():
        return np.zeros_like(half)
    at = np.arange(len(half))
    return smoothed(np.interp(at, at[good], half[good]), 1.0, closed=False)
