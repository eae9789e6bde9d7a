"""Which surface each pixel shows, its place and its normal: level circles painted from the foot up, tubes by a z-buffer.

Seen from above, a higher circle always lies over a lower one, so painting them in order leaves the surface that is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.testing.raster import interpolate, rasterise
from featurediff.testing.table.arrange import cloud
from featurediff.testing.table.solids import Box, Levels, Solid, Tube, Turned
from featurediff.testing.table.view import View


@dataclass(frozen=True)
class Cover:
    """The pixels a solid covers by itself, as flat arrays: ``row``, ``col`` (n,) int, ``depth`` (n,) mm, ``at`` (n, 3) mm,
    ``normal`` (n, 3) unit, ``hollow`` (n,) 0 outside, up to 1 deep inside a hollow."""

    row: np.ndarray
    col: np.ndarray
    depth: np.ndarray
    at: np.ndarray
    normal: np.ndarray
    hollow: np.ndarray


def cover(solid: Solid, view: View) -> Cover:
    """What ``view`` shows of the solid when nothing else is there."""
    if isinstance(solid, Turned):
        return _turned(solid, view)
    return _tube(solid, view) if isinstance(solid, Tube) else _box(solid, view)


def _window(solid: Solid, view: View) -> tuple[int, int, int, int]:
    """Left, top, width, height of a window around it, within the frame."""
    px = view.project(cloud(solid))
    low = np.maximum(np.floor(px.min(0)) - 8, 0).astype(int)
    high = np.minimum(np.ceil(px.max(0)) + 9, view.size).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _turned(solid: Turned, view: View) -> Cover:
    left, top, w, h = _window(solid, view)
    label = np.zeros((h, w), np.uint16)
    o = solid.outside
    for k in range(len(o.r)):
        _fill(label, _circle_px(o, k, view) - [left, top], k + 1)
    row, col = np.nonzero(label)
    k = label[row, col].astype(int) - 1
    ray = view.rays(col + left, row + top).astype(np.float32)
    depth, at = _on_level(ray, o.z[k], view)
    normal = _level_normal(o, k, at, 1.0)
    hollow = np.zeros(len(k), np.float32)
    if solid.hollow is not None:
        _look_in(solid, view, ray, depth, at, normal, hollow)
    if solid.lip:
        _round_lip(solid, k, at, normal, hollow)
    return Cover(row + top, col + left, depth, at, normal, hollow)


_RING = np.stack([f(np.linspace(0, 2 * np.pi, 128, endpoint=False)) for f in (np.cos, np.sin)], 1)


def _circle_px(levels: Levels, k: int, view: View) -> np.ndarray:
    r, x, y, z = levels.r[k], levels.x[k], levels.y[k], levels.z[k]
    flat = np.column_stack([x + r * _RING[:, 0], y + r * _RING[:, 1], np.ones(len(_RING))]) @ view.plane(float(z)).T
    px = flat[:, :2] / flat[:, 2:]
    # The filler counts a pixel in when the line touches it: half a pixel too wide, so draw half a pixel smaller.
    low, high = px.min(0), px.max(0)
    away, spread = px - (low + high) / 2, (high - low) / 2 + 1e-9
    if spread.min() < 0.6:
        return (low + high) / 2 + away * np.maximum(1 - 0.5 / spread, 0.05)
    normal = away / spread**2
    return px - 0.5 * normal / np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-12)[:, None]


def _fill(label: np.ndarray, px: np.ndarray, value: int) -> None:
    cv2.fillConvexPoly(label, np.round(px * 16).astype(np.int32), value, cv2.LINE_8, 4)


def _on_level(ray: np.ndarray, z: np.ndarray, view: View) -> tuple[np.ndarray, np.ndarray]:
    depth = ((z - view.centre[2]) / ray[:, 2]).astype(np.float32)
    return depth, view.centre.astype(np.float32) + depth[:, None] * ray


def _level_normal(levels: Levels, k: np.ndarray, at: np.ndarray, sign: float) -> np.ndarray:
    """Normals of the stack's surface; ``sign`` -1 inside a hollow, where heights fall along the profile."""
    dr, dx, dy, dz = (np.gradient(v).astype(np.float32)[k] for v in (levels.r, levels.x, levels.y, levels.z))
    out = at[:, :2] - np.column_stack([levels.x[k], levels.y[k]]).astype(np.float32)
    out /= np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-3)[:, None]
    up = -(dr + dx * out[:, 0] + dy * out[:, 1])
    normal = np.column_stack([out * dz[:, None], up]) * np.float32(1.0)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-6)[:, None]
    return normal


def _look_in(solid: Turned, view: View, ray, depth, at, normal, hollow) -> None:
    """Replace what lies over the mouth by the hollow's wall or floor, where the ray leaves the hollow."""
    inner = solid.hollow
    depth_top, at_top = _on_level(ray, np.full(len(ray), inner.z[0], np.float32), view)
    open_ = np.hypot(at_top[:, 0] - inner.x[0], at_top[:, 1] - inner.y[0]) < inner.r[0]
    todo = np.flatnonzero(open_ & (depth_top <= depth + 0.5))
    if not len(todo):
        return
    steps = np.unique(np.linspace(0, len(inner.r) - 1, 130).astype(int))
    before = np.full(len(todo), -1.0, np.float32)
    for i, k in enumerate(steps):
        _, p = _on_level(ray[todo], inner.z[k], view)
        over = np.hypot(p[:, 0] - inner.x[k], p[:, 1] - inner.y[k]) - inner.r[k]
        last = i == len(steps) - 1
        hit = (over >= 0) | last
        if hit.any():
            some = todo[hit]
            share = np.clip(over[hit] / np.maximum(over[hit] - before[hit], 1e-6), 0, 1) * (over[hit] >= 0)
            z_hit = inner.z[k] + share * (inner.z[steps[max(i - 1, 0)]] - inner.z[k])
            depth[some], at[some] = _on_level(ray[some], z_hit, view)
            floor = over[hit] < 0
            # Along the hollow heights fall, so dz is negative and the normal points inward by itself.
            wall = _level_normal(inner, np.full(len(some), k), at[some], -1.0)
            normal[some] = np.where(floor[:, None], np.array([0, 0, 1], np.float32), wall)
            hollow[some] = np.clip((inner.z[0] - z_hit) / (inner.z[0] - inner.z[-1] + 1e-6), 0.01, 1)
        todo, before = todo[~hit], over[~hit]
        if not len(todo):
            break


def _round_lip(solid: Turned, k, at, normal, hollow) -> None:
    """Light a flat lip as if it were rounded over."""
    o, inner = solid.outside, solid.hollow
    lip = np.flatnonzero((k == len(o.r) - 1) & (hollow == 0))
    out = at[lip, :2] - np.array([o.x[-1], o.y[-1]], np.float32)
    far = np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-3)
    lean = np.clip((far - inner.r[0]) / (o.r[-1] - inner.r[0]) * 2 - 1, -1, 1) * 0.8
    bent = np.column_stack([out / far[:, None] * lean[:, None], np.sqrt(1 - lean**2)])
    normal[lip] = bent


def _tube(solid: Tube, view: View) -> Cover:
    left, top, w, h = _window(solid, view)
    points, triangles, normals = solid.mesh()
    hit = rasterise(view.project(points) - [left, top], -view.depth(points), triangles, (h, w))
    row, col = np.nonzero(hit.triangle >= 0)
    at = interpolate(hit, triangles, np.hstack([points, normals]))[row, col].astype(np.float32)
    normal = at[:, 3:] / np.maximum(np.linalg.norm(at[:, 3:], axis=1), 1e-6)[:, None]
    depth = -hit.depth[row, col].astype(np.float32)
    to = view.centre.astype(np.float32) - at[:, :3]
    # Seen from behind: the inside of an open end.
    inside = (normal * to).sum(1) < -0.15 * np.linalg.norm(to, axis=1)
    normal[inside] *= -1
    return Cover(row + top, col + left, depth, at[:, :3], normal, np.where(inside, np.float32(0.7), np.float32(0)))


def _box(solid: Box, view: View) -> Cover:
    left, top, w, h = _window(solid, view)
    label = np.zeros((h, w), np.uint8)
    faces = list(box_faces(solid, view).values())
    for i, (corners, _) in enumerate(faces):
        px = view.project(corners) - [left, top]
        mid = px.mean(0)
        away = np.hypot(*(px - mid).T)[:, None]
        cv2.fillConvexPoly(label, np.round((mid + (px - mid) * (1 - 0.35 / away)) * 16).astype(np.int32), i + 1, cv2.LINE_8, 4)
    # The gaps that shrinking leaves between faces take the face next to them.
    whole = cv2.morphologyEx((label > 0).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    label = np.where((label == 0) & (whole > 0), cv2.dilate(label, np.ones((3, 3), np.uint8)), label)
    row, col = np.nonzero(label)
    ray = view.rays(col + left, row + top).astype(np.float32)
    which = label[row, col].astype(int) - 1
    normal = np.array([n for _, n in faces], np.float32)[which]
    base = np.array([c[0] for c, _ in faces], np.float32)[which]
    centre = view.centre.astype(np.float32)
    depth = ((base - centre) * normal).sum(1) / (ray * normal).sum(1)
    return Cover(row + top, col + left, depth, centre + depth[:, None] * ray, normal, np.zeros(len(row), np.float32))


def box_faces(solid: Box, view: View) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """The faces that are seen: (4, 3) corners and the outward normal (3,); "side 0" lies between corners 0 and 1."""
    foot, head = solid.corners()
    out = {"top": (head, np.array([0.0, 0, 1]))}
    for i in range(4):
        j = (i + 1) % 4
        along = foot[j] - foot[i]
        normal = np.array([along[1], -along[0], 0.0]) / np.hypot(*along[:2])
        if normal @ (view.centre - foot[i]) > 0:
            out[f"side {i}"] = (np.array([foot[i], foot[j], head[j], head[i]]), normal)
    return out
