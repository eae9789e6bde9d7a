"""Known drawing errors as one smooth map of the reference picture: exact where asked, smooth between, never folding.

A `Move` says which reference points go where (shift, scale, turn of a set of points); still points stay. In between, a
thin-plate spline (Duchon 1977; Bookstein 1989, IEEE TPAMI 11(6)) bends as little as it can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import similarity_matrix

GRID_STEP = 6
EXACT_PX = 0.015


@dataclass(frozen=True)
class Move:
    """Reference points that move together.

    ``points`` (n, 2) px. Each goes to ``about`` + S R (p - about) + ``shift_px``, where S scales by ``scale`` (one factor, or
    x and y), R turns by ``turn_deg`` (clockwise as seen, y down) and ``about`` is the points' mean if None.
    """

    points: np.ndarray
    shift_px: tuple[float, float] = (0.0, 0.0)
    scale: float | tuple[float, float] = 1.0
    turn_deg: float = 0.0
    about: tuple[float, float] | None = None

    def apply(self, points: np.ndarray) -> np.ndarray:
        """Where this move puts (n, 2) points, as if they all belonged to it."""
        points = np.asarray(points, float)
        about = np.asarray(self.points, float).mean(0) if self.about is None else np.asarray(self.about, float)
        turn = similarity_matrix(1.0, self.turn_deg, (0.0, 0.0))[:2, :2]
        return about + ((points - about) @ turn.T) * np.asarray(self.scale, float) + np.asarray(self.shift_px, float)

    @property
    def targets(self) -> np.ndarray:
        """(n, 2): where the points go."""
        return self.apply(self.points)


@dataclass(frozen=True)
class PointMove:
    """Reference points (n, 2) that each go to a place of their own, ``targets`` (n, 2): stretches, bends, leans."""

    points: np.ndarray
    targets: np.ndarray


class Warp:
    """A smooth, invertible map of a reference picture of ``shape`` (h, w) onto itself.

    ``moves``: what goes where. ``still`` (m, 2): points that stay; None for none. The picture's border always stays.
    A still point closer than half a pixel to a moved one is dropped. Raises ValueError when two moves claim one point
    differently, or when the map would fold.
    """

    def __init__(self, moves: Sequence[Move | PointMove], still: np.ndarray | None = None, shape: tuple[int, int] = (1500, 1200)):
        self.moves, self.shape = tuple(moves), (int(shape[0]), int(shape[1]))
        moved = [np.asarray(m.points, float).reshape(-1, 2) for m in self.moves]
        targets = [np.asarray(m.targets, float).reshape(-1, 2) for m in self.moves]
        self.moved = np.vstack([*moved, np.zeros((0, 2))])
        targets = np.vstack([*targets, np.zeros((0, 2))])
        still = np.zeros((0, 2)) if still is None else np.asarray(still, float).reshape(-1, 2)
        self.still = still[_gap(still, self.moved) > 0.5]
        fixed = np.vstack([self.still, _border(self.shape)])
        self._kept: tuple | None = None
        self._solve(np.vstack([self.moved, fixed]), np.vstack([targets - self.moved, np.zeros_like(fixed)]))
        self._refuse_folds()

    def apply(self, points: np.ndarray) -> np.ndarray:
        """Where (n, 2) reference px go."""
        points = np.asarray(points, float).reshape(-1, 2)
        return points + self._shift(points)

    def inverse(self, points: np.ndarray) -> np.ndarray:
        """The reference px that go to (n, 2) points; Newton on the spline itself, to 1e-3 px."""
        points = np.asarray(points, float).reshape(-1, 2)
        guess = points - self._shift(points)
        for _ in range(30):
            miss = self.apply(guess) - points
            if np.abs(miss).max(initial=0.0) < 1e-3:
                break
            guess = guess - _newton_step(miss, *self._jacobian(guess))
        return guess

    def inverse_map(self, h: int, w: int) -> np.ndarray:
        """(h, w, 2) float32: for every warped pixel the reference px it comes from, ready for cv2.remap.

        Newton on the spline sampled every few pixels and interpolated; agrees with `inverse` to a few hundredths of a pixel.
        """
        grid, shift = self._field(h, w)
        slope = [np.gradient(shift[..., i], GRID_STEP) for i in (0, 1)]
        fields = [shift[..., 0], shift[..., 1], slope[0][1], slope[0][0], slope[1][1], slope[1][0]]
        fields = [f.astype(np.float32) for f in fields]
        guess = grid - shift
        for _ in range(12):
            at = ((guess - grid[0, 0]) / GRID_STEP).astype(np.float32)
            x, y, xx, xy, yx, yy = (
                cv2.remap(f, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE) for f in fields
            )
            miss = guess + np.dstack([x, y]) - grid
            if np.abs(miss).max() < 2e-3:
                break
            step = _newton_step(miss.reshape(-1, 2), 1 + xx.ravel(), xy.ravel(), yx.ravel(), 1 + yy.ravel())
            guess = guess - step.reshape(guess.shape)
        back = (guess - grid).astype(np.float32)
        ys, xs = np.mgrid[:h, :w].astype(np.float32)
        at_x, at_y = (xs - np.float32(grid[0, 0, 0])) / GRID_STEP, (ys - np.float32(grid[0, 0, 1])) / GRID_STEP
        both = [cv2.remap(np.ascontiguousarray(back[..., i]), at_x, at_y, cv2.INTER_CUBIC) for i in (0, 1)]
        return np.dstack([xs + both[0], ys + both[1]])

    def _field(self, h: int, w: int) -> tuple[np.ndarray, np.ndarray]:
        """Grid points and the shift there, both (rows, cols, 2), one cell beyond the picture; kept for the next call."""
        if self._kept is None or self._kept[0] != (h, w):
            rows, cols = np.arange(-2, h // GRID_STEP + 4) * GRID_STEP, np.arange(-2, w // GRID_STEP + 4) * GRID_STEP
            grid = np.stack(np.meshgrid(cols, rows), -1).astype(float)
            self._kept = ((h, w), grid, self._shift(grid.reshape(-1, 2)).reshape(grid.shape))
        return self._kept[1], self._kept[2]

    def jacobian_min(self) -> float:
        """The smallest determinant of the map's Jacobian on a grid over the picture (1 = no change of area)."""
        _, shift = self._field(*self.shape)
        down_x, right_x = np.gradient(shift[..., 0], GRID_STEP)
        down_y, right_y = np.gradient(shift[..., 1], GRID_STEP)
        return float(((1 + right_x) * (1 + down_y) - down_x * right_y).min())

    def _solve(self, at: np.ndarray, shift: np.ndarray) -> None:
        """Fit the spline on as few of the points as reproduce all of them to EXACT_PX."""
        at, index, which = np.unique(at.round(2), axis=0, return_index=True, return_inverse=True)
        if np.abs(shift - shift[index][which.ravel()]).max(initial=0.0) > 0.05:
            raise ValueError("two moves claim the same reference point but send it to different places")
        shift = shift[index]
        used = _thin(at, 16.0)
        for _ in range(12):
            self._fit(at[used], shift[used])
            miss = np.hypot(*(self._shift(at) - shift).T)
            bad = np.flatnonzero(miss > EXACT_PX)
            if len(bad) == 0:
                return
            worst = bad[np.argsort(-miss[bad])]
            fresh = worst[_thin(at[worst], 6.0)] if len(worst) > 60 else worst
            used = np.unique(np.concatenate([used, fresh]))
        self._fit(at, shift)

    def _fit(self, at: np.ndarray, shift: np.ndarray) -> None:
        self._centre, self._unit = at.mean(0), max(self.shape)
        self._knots = (at - self._centre) / self._unit
        n = len(at)
        matrix = np.zeros((n + 3, n + 3))
        matrix[:n, :n] = _kernel(self._knots, self._knots)
        matrix[:n, n], matrix[:n, n + 1 :] = 1.0, self._knots
        matrix[n:, :n] = matrix[:n, n:].T
        self._weights = np.linalg.solve(matrix, np.vstack([shift, np.zeros((3, 2))]))

    def _shift(self, points: np.ndarray) -> np.ndarray:
        out = np.empty((len(points), 2))
        for lo in range(0, len(points), 1500):
            p = (points[lo : lo + 1500] - self._centre) / self._unit
            n = len(self._knots)
            out[lo : lo + 1500] = _kernel(p, self._knots) @ self._weights[:n] + self._weights[n] + p @ self._weights[n + 1 :]
        return out

    def _jacobian(self, points: np.ndarray) -> tuple[np.ndarray, ...]:
        """dX/dx, dX/dy, dY/dx, dY/dy by central differences of 0.5 px."""
        right, down = np.array([0.5, 0.0]), np.array([0.0, 0.5])
        dx = self.apply(points + right) - self.apply(points - right)
        dy = self.apply(points + down) - self.apply(points - down)
        return dx[:, 0], dy[:, 0], dx[:, 1], dy[:, 1]

    def _refuse_folds(self) -> None:
        if len(self.moved) and self.jacobian_min() <= 0.05:
            raise ValueError("the moves would fold the picture; move less, or give more room between moved and still points")


def _newton_step(miss: np.ndarray, a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> np.ndarray:
    """Solve [[a, b], [c, d]] step = miss for each row, in steps of at most 8 px."""
    det = np.maximum(a * d - b * c, 0.05)
    step = np.column_stack([d * miss[:, 0] - b * miss[:, 1], a * miss[:, 1] - c * miss[:, 0]]) / det[:, None]
    return np.clip(step, -8, 8)


def _kernel(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """r^2 log r^2 between (n, 2) and (m, 2)."""
    r2 = (a[:, None, 0] - b[None, :, 0]) ** 2 + (a[:, None, 1] - b[None, :, 1]) ** 2
    return r2 * np.log(np.maximum(r2, 1e-20))


def _border(shape: tuple[int, int]) -> np.ndarray:
    h, w = shape
    xs, ys = np.linspace(-0.05 * w, 1.05 * w, 9), np.linspace(-0.05 * h, 1.05 * h, 9)
    return np.vstack([[(x, y) for x in xs for y in (ys[0], ys[-1])], [(x, y) for y in ys[1:-1] for x in (xs[0], xs[-1])]])


def _gap(points: np.ndarray, others: np.ndarray) -> np.ndarray:
    if len(others) == 0 or len(points) == 0:
        return np.full(len(points), np.inf)
    return np.sqrt(((points[:, None] - others[None]) ** 2).sum(2).min(1))


def _thin(points: np.ndarray, spacing: float) -> np.ndarray:
    """Indices of one point per cell of ``spacing``."""
    cells = np.floor(points / spacing).astype(int)
    return np.sort(np.unique(cells, axis=0, return_index=True)[1])
