"""A known move of one thing beside which its neighbours' lines stay, right up to where they meet it.

A smooth map must drag along what touches a moved line. On paper it does not: a pear drawn too far right hides or bares a little
more of the jug, whose own lines stay. So the map is smooth but for the points of the neighbours' lines.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from featurediff.testing.warp import Move, PointMove, Warp

# A point this near to a held line is taken to be on it.
ON_LINE_PX = 0.6


class HeldWarp(Warp):
    """A `Warp` whose ``held`` lines (n, 2), sampled every 0.4 px, stay where they are though a moved one comes close.

    `apply` is exact on moved points, still points and held lines; `inverse` and `inverse_map` (for tone) follow the smooth map.
    Where a held line touches a moved one, ``going`` (m, 2, sampled every 0.1 px), a point belongs to the nearer of the two.
    """

    def __init__(
        self,
        moves: Sequence[Move | PointMove],
        still: np.ndarray | None,
        shape: tuple[int, int],
        held: np.ndarray,
        going: np.ndarray,
    ):
        super().__init__(moves, still, shape)
        self.held, self.going = held, going

    def apply(self, points: np.ndarray) -> np.ndarray:
        """Where (n, 2) reference px go."""
        points = np.asarray(points, float).reshape(-1, 2)
        out = super().apply(points)
        near = _gap(points, self.held)
        stays = near < ON_LINE_PX
        stays[stays] &= near[stays] <= _gap(points[stays], self.going)
        out[stays] = points[stays]
        return out

    def inverse(self, points: np.ndarray) -> np.ndarray:
        """The reference px that go to (n, 2) points, by the smooth map."""
        return Warp.inverse(_Smooth(self), points)

    def _jacobian(self, points: np.ndarray) -> tuple[np.ndarray, ...]:
        return Warp._jacobian(_Smooth(self), points)


class HeldTogether(Warp):
    """Several such errors in one drawing: their shifts add up. Raises ValueError when the smooth map folds."""

    def __init__(self, *warps: Warp):
        self.moves, self.shape, self.warps = (), warps[0].shape, warps
        self.moved = np.vstack([warp.moved for warp in warps])
        self.still = np.zeros((0, 2))
        self._kept = None
        self._refuse_folds()

    def _shift(self, points: np.ndarray) -> np.ndarray:
        return sum((warp._shift(points) for warp in self.warps), np.zeros_like(points))

    def apply(self, points: np.ndarray) -> np.ndarray:
        """Where (n, 2) reference px go."""
        points = np.asarray(points, float).reshape(-1, 2)
        return points + sum((warp.apply(points) - points for warp in self.warps), np.zeros_like(points))

    def inverse(self, points: np.ndarray) -> np.ndarray:
        """The reference px that go to (n, 2) points, by the smooth map."""
        return Warp.inverse(_Smooth(self), points)

    def _jacobian(self, points: np.ndarray) -> tuple[np.ndarray, ...]:
        return Warp._jacobian(_Smooth(self), points)


class _Smooth:
    """The smooth map alone, in the place of the warp."""

    def __init__(self, warp: Warp):
        self._shift = warp._shift
        self._jacobian = lambda points: Warp._jacobian(self, points)

    def apply(self, points: np.ndarray) -> np.ndarray:
        return points + self._shift(points)


def _gap(points: np.ndarray, others: np.ndarray) -> np.ndarray:
    """(n,) distance to the nearest of the others."""
    out = np.full(len(points), np.inf)
    if len(others):
        for lo in range(0, len(points), 500):
            part = points[lo : lo + 500]
            near = others[((others >= part.min(0) - 2) & (others <= part.max(0) + 2)).all(1)]
            if len(near):
                out[lo : lo + 500] = np.sqrt(((part[:, None] - near[None]) ** 2).sum(2).min(1))
    return out
