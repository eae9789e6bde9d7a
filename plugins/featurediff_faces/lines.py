"""Small changes to an open line of points (n, 2): other count, other length, other ends."""

from __future__ import annotations

import numpy as np

from featurediff.geometry import resample


def with_count(points: np.ndarray, count: int) -> np.ndarray:
    """The same line as ``count`` points at even distances."""
    arc = arc_length(points)
    at = np.linspace(0, arc[-1], count)
    return np.column_stack([np.interp(at, arc, points[:, 0]), np.interp(at, arc, points[:, 1])])


def arc_length(points: np.ndarray) -> np.ndarray:
    """(n,) how far along the line each point lies."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def to_length(points: np.ndarray, first: float, last: float, step: float) -> np.ndarray:
    """A line made longer (> 0) or shorter (< 0) at its first and last end by so many px, straight on where longer."""
    for grow in (last, first):
        points = points[::-1]
        if grow > 0:
            on = points[0] - points[min(3, len(points) - 1)]
            points = np.vstack([points[0] + grow * on / max(np.hypot(*on), 1e-9), points])
        elif grow < 0:
            arc = arc_length(points)
            keep = arc > -grow
            if keep.sum() > 3:
                start = np.array([np.interp(-grow, arc, points[:, i]) for i in (0, 1)])
                points = np.vstack([start, points[keep]])
    return resample(points, step)


def pinned(points: np.ndarray, ends: list[np.ndarray], share: float = 0.2) -> np.ndarray:
    """The line with its ends moved to ``ends``, the move fading out over a ``share`` of its length from either end."""
    t = np.linspace(0, 1, len(points))
    first, last = np.clip(1 - t / share, 0, 1)[:, None], np.clip(1 - (1 - t) / share, 0, 1)[:, None]
    return points + first * (ends[0] - points[0]) + last * (ends[1] - points[-1])
