"""From the shifts of a feature's pieces to its points on the drawing."""

from __future__ import annotations

import numpy as np


def settle_curve(
    at: np.ndarray,
    piece_at: np.ndarray,
    shifts: np.ndarray,
    covariances: np.ndarray,
    whole_shift: np.ndarray,
    stiffness: float,
    closed_length: float | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Shift and covariance at arc positions ``at`` (n,) from those measured at ``piece_at`` (m,).

    Least squares over the pieces: each stays near its measured shift as far as its covariance (m, 2, 2) binds it, near its
    neighbours within ``stiffness`` px, and loosely near ``whole_shift`` (2,), which fills in what slides along itself.
    ``closed_length``: length of a closed curve, else None. Returns (n, 2) and (n, 2, 2).
    """
    count = len(piece_at)
    a = np.zeros((2 * count, 2 * count))
    b = np.zeros(2 * count)
    loose = np.eye(2) / (3 * stiffness) ** 2
    tie = np.eye(2) / stiffness**2
    for k in range(count):
        block = np.s_[2 * k : 2 * k + 2]
        information = np.linalg.inv(covariances[k])
        a[block, block] += information + loose
        b[block] += information @ shifts[k] + loose @ whole_shift
    pairs = [(k, k + 1) for k in range(count - 1)]
    if closed_length is not None and count > 2:
        pairs.append((count - 1, 0))
    for i, j in pairs:
        bi, bj = np.s_[2 * i : 2 * i + 2], np.s_[2 * j : 2 * j + 2]
        a[bi, bi] += tie
        a[bj, bj] += tie
        a[bi, bj] -= tie
        a[bj, bi] -= tie
    covariance = np.linalg.inv(a)
    settled = (covariance @ b).reshape(count, 2)
    blocks = np.array([covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] for k in range(count)])
    return _interpolate(at, piece_at, settled, closed_length), _interpolate(at, piece_at, blocks, closed_length)


def _interpolate(at: np.ndarray, piece_at: np.ndarray, values: np.ndarray, closed_length: float | None) -> np.ndarray:
    flat = values.reshape(len(values), -1)
    columns = [np.interp(at, piece_at, column, period=closed_length) for column in flat.T]
    return np.stack(columns, 1).reshape(len(at), *values.shape[1:])
