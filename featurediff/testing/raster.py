"""A z-buffer in numpy: which triangle is seen in each pixel, and any vertex attribute there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Seen:
    """``triangle`` (h, w) int, -1 = nothing; ``weights`` (h, w, 3) barycentric; ``depth`` (h, w), larger = nearer."""

    triangle: np.ndarray
    weights: np.ndarray
    depth: np.ndarray


def rasterise(points: np.ndarray, depth: np.ndarray, triangles: np.ndarray, shape: tuple[int, int]) -> Seen:
    """``points`` (n, 2) px, ``depth`` (n,), larger is nearer; ``triangles`` (m, 3); ``shape`` (h, w)."""
    h, w = shape
    corners = points[triangles]
    low = np.floor(corners.min(1)).astype(int)
    extent = (np.ceil(corners.max(1)).astype(int) - low).max(1) + 1
    cells, ids, weights = [], [], []
    size = 4
    remaining = np.arange(len(triangles))
    while len(remaining):
        group = remaining[(extent[remaining] <= size)]
        remaining = remaining[extent[remaining] > size]
        step = max(1, 3_000_000 // (size * size))
        for lo in range(0, len(group), step):
            part = _cover(corners, low, group[lo : lo + step], size, h, w)
            cells.append(part[0]), ids.append(part[1]), weights.append(part[2])
        size *= 2
    cell, tri, weight = np.concatenate(cells), np.concatenate(ids), np.concatenate(weights)
    z = (weight * depth[triangles[tri]]).sum(1)
    order = np.argsort(z, kind="stable")
    triangle, bary, deep = np.full(h * w, -1), np.zeros((h * w, 3)), np.full(h * w, -np.inf)
    # Later assignments win, so the nearest is written last.
    triangle[cell[order]], bary[cell[order]], deep[cell[order]] = tri[order], weight[order], z[order]
    return Seen(triangle.reshape(h, w), bary.reshape(h, w, 3), deep.reshape(h, w))


def _cover(corners: np.ndarray, low: np.ndarray, group: np.ndarray, size: int, h: int, w: int):
    a, b, c = corners[group, 0], corners[group, 1], corners[group, 2]
    dy, dx = np.mgrid[:size, :size]
    x = low[group, 0, None] + dx.ravel()
    y = low[group, 1, None] + dy.ravel()
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    area = np.where(np.abs(area) < 1e-9, np.inf, area)[:, None]
    wb = ((x - a[:, :1]) * (c - a)[:, 1:] - (y - a[:, 1:]) * (c - a)[:, :1]) / area
    wc = ((y - a[:, 1:]) * (b - a)[:, :1] - (x - a[:, :1]) * (b - a)[:, 1:]) / area
    wa = 1 - wb - wc
    tiny = -1e-6
    inside = (wa >= tiny) & (wb >= tiny) & (wc >= tiny) & (x >= 0) & (y >= 0) & (x < w) & (y < h) & np.isfinite(area)
    row, _ = np.nonzero(inside)
    return (y * w + x)[inside], group[row], np.column_stack([wa[inside], wb[inside], wc[inside]])


def interpolate(seen: Seen, triangles: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(h, w, k) of a vertex attribute (n, k); zero where nothing is seen."""
    values = np.asarray(values, float).reshape(len(values), -1)
    out = np.zeros((*seen.triangle.shape, values.shape[1]))
    hit = seen.triangle >= 0
    out[hit] = (values[triangles[seen.triangle[hit]]] * seen.weights[hit][..., None]).sum(1)
    return out


def vertex_normals(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """(n, 3) unit normals, weighted by area."""
    a, b, c = points[triangles[:, 0]], points[triangles[:, 1]], points[triangles[:, 2]]
    face = np.cross(b - a, c - a)
    total = np.zeros_like(points)
    for i in range(3):
        np.add.at(total, triangles[:, i], face)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)
