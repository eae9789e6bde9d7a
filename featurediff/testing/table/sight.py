"""Which stretches of a line in space are seen by the camera, tested by rays against every solid."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurediff.testing.table.solids import Solid
from featurediff.testing.table.view import View


def seen(points: np.ndarray, view: View, solids: Sequence[Solid]) -> np.ndarray:
    """(n,) bool: which of (n, 3) points on surfaces nothing hides, neither another solid nor their own."""
    to = view.centre - points
    to /= np.linalg.norm(to, axis=1, keepdims=True)
    free = np.ones(len(points), bool)
    for solid in solids:
        free[free] &= ~(solid.inside(points[free]) | solid.blocks(points[free], to[free]))
    return free


def within(px: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """(n,) bool: which of (n, 2) px lie in the frame."""
    return (px >= 0).all(1) & (px[:, 0] <= size[0] - 1) & (px[:, 1] <= size[1] - 1)


def stretches(px: np.ndarray, free: np.ndarray, closed: bool = False, shortest_px: float = 6.0) -> list[np.ndarray]:
    """The seen stretches of a polyline (n, 2), longest first; a closed one that is seen whole ends where it starts."""
    if closed:
        if free.all():
            return [np.vstack([px, px[:1]])]
        first = int(np.flatnonzero(~free)[0])
        px, free = np.roll(px, -first, 0), np.roll(free, -first)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(int), [0]])))
    out = [px[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
    out = [line for line in out if _length(line) >= shortest_px]
    return sorted(out, key=_length, reverse=True)


def _length(line: np.ndarray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())
