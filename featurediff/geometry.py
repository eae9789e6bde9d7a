"""Plain geometry on arrays: similarities, homographies, polylines, pixel mapping."""

from __future__ import annotations

import math

import numpy as np


def similarity_matrix(scale: float, turn_deg: float, move: tuple[float, float]) -> np.ndarray:
    """(3, 3) matrix of p -> scale * R(turn) p + move; turn in degrees, clockwise on the paper (y down)."""
    angle = math.radians(turn_deg)
    cos, sin = scale * math.cos(angle), scale * math.sin(angle)
    return np.array([[cos, -sin, move[0]], [sin, cos, move[1]], [0.0, 0.0, 1.0]])


def split_similarity(matrix: np.ndarray) -> tuple[float, float, tuple[float, float]]:
    """Scale, turn in degrees and move of a (3, 3) similarity."""
    scale = math.hypot(matrix[0, 0], matrix[1, 0])
    turn = math.degrees(math.atan2(matrix[1, 0], matrix[0, 0]))
    return scale, turn, (float(matrix[0, 2]), float(matrix[1, 2]))


def apply(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Map (n, 2) points by a (3, 3) similarity, affinity or homography."""
    points = np.asarray(points, float)
    mapped = points @ matrix[:2, :2].T + matrix[:2, 2]
    w = points @ matrix[2, :2] + matrix[2, 2]
    return mapped / w[:, None]


def fit_similarity(source: np.ndarray, target: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
    """Least-squares similarity source -> target, both (n, 2), n >= 2; never a reflection.

    Method: Umeyama 1991, "Least-squares estimation of transformation parameters between two point patterns",
    IEEE TPAMI 13(4), with weights. Raises ValueError when the source points coincide.
    """
    source, target = np.asarray(source, float), np.asarray(target, float)
    weights = np.ones(len(source)) if weights is None else np.asarray(weights, float)
    weights = weights / weights.sum()
    source_mean, target_mean = weights @ source, weights @ target
    s, t = source - source_mean, target - target_mean
    spread = weights @ (s**2).sum(1)
    if spread <= 1e-12:
        raise ValueError("the source points coincide")
    # In two dimensions the rotation follows from the summed dot and cross products.
    dot = weights @ (s * t).sum(1)
    cross = weights @ (s[:, 0] * t[:, 1] - s[:, 1] * t[:, 0])
    a, b = dot / spread, cross / spread
    move = target_mean - np.array([a * source_mean[0] - b * source_mean[1], b * source_mean[0] + a * source_mean[1]])
    return np.array([[a, -b, move[0]], [b, a, move[1]], [0.0, 0.0, 1.0]])


def rescale_points(points: np.ndarray, scale: float | tuple[float, float]) -> np.ndarray:
    """Map px of a picture to px of the same picture resized by ``scale``: (x + 0.5) s - 0.5, pixel centres at integers."""
    return (np.asarray(points, float) + 0.5) * scale - 0.5


def rescale_matrix(scale: float) -> np.ndarray:
    """`rescale_points` as a (3, 3) matrix."""
    return np.array([[scale, 0.0, 0.5 * scale - 0.5], [0.0, scale, 0.5 * scale - 0.5], [0.0, 0.0, 1.0]])


def resample(points: np.ndarray, step: float, closed: bool = False) -> np.ndarray:
    """Points at about equal arc-length ``step`` along a polyline (n, 2); ends are kept. A single point is returned as is."""
    points = np.asarray(points, float)
    if len(points) < 2:
        return points.copy()
    if closed:
        points = np.vstack([points, points[:1]])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(round(arc[-1] / step), 1)
    at = np.linspace(0.0, arc[-1], count + 1)
    if closed:
        at = at[:-1]
    return np.column_stack([np.interp(at, arc, points[:, 0]), np.interp(at, arc, points[:, 1])])


def normals(points: np.ndarray, closed: bool = False) -> np.ndarray:
    """Unit normals (n, 2) of a polyline at its points: the tangent turned by +90 degrees clockwise on the paper."""
    points = np.asarray(points, float)
    if closed:
        tangent = np.roll(points, -1, 0) - np.roll(points, 1, 0)
    else:
        tangent = np.gradient(points, axis=0) if len(points) > 1 else np.array([[1.0, 0.0]])
    length = np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-12)
    return np.column_stack([-tangent[:, 1], tangent[:, 0]]) / length[:, None]


def runs(flags: np.ndarray, closed: bool) -> list[np.ndarray]:
    """Indices of every run of True along a line; on a closed one a run may go round its end."""
    count = len(flags)
    first = int(np.argmin(flags)) if closed else 0
    padded = np.concatenate([[False], np.roll(flags, -first), [False]]).astype(int)
    starts, stops = np.nonzero(np.diff(padded) == 1)[0], np.nonzero(np.diff(padded) == -1)[0]
    return [(np.arange(start, stop) + first) % count for start, stop in zip(starts, stops, strict=True)]
