"""The best smooth path through a table of scores: one column chosen per row."""

from __future__ import annotations

import numpy as np


def best_path(score: np.ndarray, stiffness: float, closed: bool = False) -> np.ndarray:
    """Choose a column per row of ``score`` (n, k) so that sum(score) - stiffness * sum(step**2) is largest; step in columns.

    Returns whole columns (n,). ``closed`` ties the last row to the first. Method: dynamic programming (Amini, Weymouth and
    Jain 1990 use it for contours); steps of up to three columns from one row to the next.
    """
    if closed and len(score) > 4:
        # Twice around; the middle lap has forgotten where the path began.
        half = len(score) // 2
        doubled = np.vstack([score[-half:], score, score[:half]])
        return _solve(doubled[None], stiffness)[0][half : half + len(score)]
    return _solve(score[None], stiffness)[0]


def best_paths(scores: np.ndarray, stiffness: float) -> np.ndarray:
    """The same for many tables (m, n, k) at once: (m, n) columns."""
    return _solve(scores, stiffness)


def _solve(score: np.ndarray, stiffness: float, reach: int = 3) -> np.ndarray:
    many, rows, columns = score.shape
    steps = np.arange(-reach, reach + 1)
    cost = (stiffness * steps**2).astype(np.float32)[:, None]
    padded = np.full((many, columns + 2 * reach), -np.inf, np.float32)
    shifted = np.lib.stride_tricks.sliding_window_view(padded, columns, axis=1)  # (m, 2 reach + 1, k): totals from so far away
    came_from = np.empty((rows, many, columns), np.int8)
    padded[:, reach : reach + columns] = score[:, 0]
    for row in range(1, rows):
        options = shifted - cost
        came_from[row] = options.argmax(1)
        padded[:, reach : reach + columns] = options.max(1) + score[:, row]
    path = np.empty((rows, many), int)
    path[-1] = padded[:, reach : reach + columns].argmax(1)
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + came_from[row, np.arange(many), path[row]] - reach
    return path.T


def peak_shift(score: np.ndarray, path: np.ndarray) -> np.ndarray:
    """(n,) sub-column shift of each chosen column, -0.5..0.5: the top of a parabola through three scores."""
    rows = np.arange(len(path))
    inner = np.clip(path, 1, score.shape[1] - 2)
    left, mid, right = score[rows, inner - 1], score[rows, inner], score[rows, inner + 1]
    bend = left - 2 * mid + right
    peaked = (bend < -1e-6) & (inner == path) & (mid >= left) & (mid >= right)
    return np.clip(np.where(peaked, 0.5 * (left - right) / np.where(peaked, bend, 1.0), 0.0), -0.5, 0.5)
