"""The best smooth path through a table of scores: one column chosen per row."""

from __future__ import annotations

import numpy as np


def best_path(score: np.ndarray, stiffness: float, closed: bool = False) -> np.ndarray:
    """Choose a column per row of ``score`` (n, k) so that sum(score) - stiffness * sum(step**2) is largest; step in columns.

    Returns float columns (n,), refined below one column by a parabola through the score. ``closed`` ties the last row to the
    first. Method: dynamic programming (Amini, Weymouth and Jain 1990 use it for contours).
    """
    rows, columns = score.shape
    if closed and rows > 4:
        # Twice around; the middle lap has forgotten where the path began.
        doubled = np.vstack([score, score])
        return _refine(score, np.roll(_solve(doubled, stiffness)[rows // 2 : rows // 2 + rows], rows // 2))
    return _refine(score, _solve(score, stiffness)) if rows and columns else np.zeros(rows)


def _solve(score: np.ndarray, stiffness: float) -> np.ndarray:
    rows, columns = score.shape
    at = np.arange(columns, dtype=np.float32)
    cost = (stiffness * (at[:, None] - at[None, :]) ** 2).astype(np.float32)  # to, from
    total = score[0].astype(np.float32)
    came_from = np.empty((rows, columns), np.int32)
    for row in range(1, rows):
        options = total[None, :] - cost
        came_from[row] = options.argmax(1)
        total = options[np.arange(columns), came_from[row]] + score[row]
    path = np.empty(rows, int)
    path[-1] = int(total.argmax())
    for row in range(rows - 1, 0, -1):
        path[row - 1] = came_from[row, path[row]]
    return path


def _refine(score: np.ndarray, path: np.ndarray) -> np.ndarray:
    rows = np.arange(len(path))
    inner = np.clip(path, 1, score.shape[1] - 2)
    left, mid, right = score[rows, inner - 1], score[rows, inner], score[rows, inner + 1]
    bend = left - 2 * mid + right
    peaked = (bend < -1e-6) & (inner == path)
    shift = np.where(peaked, 0.5 * (left - right) / np.where(peaked, bend, 1.0), 0.0)
    return path + np.clip(shift, -0.5, 0.5)
