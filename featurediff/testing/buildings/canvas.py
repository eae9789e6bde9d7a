"""Paints planes, cylinders and spheres of a pinhole view with a depth buffer, twice as fine as the picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.testing.buildings.record import Camera

FINE = 2
NEAR_M = 0.3
# Two surfaces nearer to one another than this share of their distance count as one: pictures on a wall.
SAME = 6e-4
SKY, GROUND, BUILDING, CLUTTER = 0, 1, 2, 3


@dataclass(frozen=True)
class Patch:
    """Where something was painted: the corner (x, y) of a box on the fine canvas and the mask (h, w) in it."""

    x: int
    y: int
    mask: np.ndarray

    @property
    def box(self) -> tuple[slice, slice]:
        return slice(self.y, self.y + self.mask.shape[0]), slice(self.x, self.x + self.mask.shape[1])


@dataclass(frozen=True)
class Texture:
    """A field of gains about 1, ``gain`` (h, w) float32, laid on a plane: its lower left corner at ``origin`` (3,), ``right`` and
    ``up`` unit directions, ``per_m`` texels a metre."""

    gain: np.ndarray
    origin: np.ndarray
    right: np.ndarray
    up: np.ndarray
    per_m: float


class Canvas:
    """``colour`` (H, W, 3) float32 0..1, ``near`` (H, W) 1/depth, ``owner`` (H, W): `SKY`, `GROUND`, `BUILDING` or `CLUTTER`."""

    def __init__(self, camera: Camera):
        w, h = camera.size
        self.camera = camera
        principal = tuple((p + 0.5) * FINE - 0.5 for p in camera.principal)
        self.fine = Camera(camera.focal_px * FINE, principal, camera.rotation, camera.position, (w * FINE, h * FINE))
        self.colour = np.zeros((h * FINE, w * FINE, 3), np.float32)
        self.near = np.zeros((h * FINE, w * FINE), np.float32)
        self.owner = np.zeros((h * FINE, w * FINE), np.uint8)

    def cover(self, corners: np.ndarray, within: Patch | None = None) -> Patch | None:
        """The fine pixels whose centres a convex world polygon (n, 3) covers; None if none are in view."""
        seen = _clip_near(self.fine.ahead(corners))
        if len(seen) < 3:
            return None
        flat = self.fine.focal_px * seen[:, :2] / seen[:, 2:] + np.array(self.fine.principal)
        return self.cover_flat(flat, within)

    def cover_flat(self, flat: np.ndarray, within: Patch | None = None) -> Patch | None:
        """As `cover`, for a convex polygon (n, 2) of fine px."""
        h, w = self.near.shape
        x0, y0, x1, y1 = 0, 0, w, h
        if within is not None:
            x0, y0, y1, x1 = within.x, within.y, within.y + within.mask.shape[0], within.x + within.mask.shape[1]
        low, high = np.floor(flat.min(0)), np.ceil(flat.max(0)) + 1
        x0, y0 = int(max(x0, low[0])), int(max(y0, low[1]))
        x1, y1 = int(min(x1, high[0])), int(min(y1, high[1]))
        if x1 <= x0 or y1 <= y0:
            return None
        ys = np.arange(y0, y1, dtype=float)
        left, right = _spans(flat, ys)
        xs = np.arange(x0, x1, dtype=float)
        mask = (xs >= left[:, None]) & (xs < right[:, None])
        if within is not None:
            mask &= within.mask[y0 - within.y : y1 - within.y, x0 - within.x : x1 - within.x]
        return Patch(x0, y0, mask) if mask.any() else None

    def paint(
        self,
        corners: np.ndarray,
        colour,
        *,
        texture: Texture | None = None,
        within: Patch | None = None,
        owner: int = BUILDING,
        shade: bool = False,
    ) -> Patch | None:
        """Paint a flat convex polygon (n, 3) m; ``colour`` (3,) in 0..1, already lit.

        ``within``: only there, and over whatever is there (panes in an opening). ``shade``: multiply instead, only what lies in
        the same plane (a shadow). Returns what was painted.
        """
        corners = np.asarray(corners, float)
        patch = self.cover(corners, within)
        if patch is None:
            return None
        box = patch.box
        mask = patch.mask
        if within is None:
            near = self._nearness(corners, patch)
            old = self.near[box]
            mask = mask & (near >= old * (1 - SAME))
            if shade:
                mask &= near <= old * (1 + SAME)
            else:
                self.near[box][mask] = near[mask]
                self.owner[box][mask] = owner
        tint = np.asarray(colour, np.float32)
        if shade:
            self.colour[box][mask] *= tint
        elif texture is None:
            self.colour[box][mask] = tint
        else:
            self.colour[box][mask] = self._texels(texture, patch)[mask][:, None] * tint
        return Patch(patch.x, patch.y, mask)

    def _nearness(self, corners: np.ndarray, patch: Patch) -> np.ndarray:
        """1/depth of the polygon's plane at the patch's pixels."""
        seen = self.fine.ahead(corners)
        normal = _plane_normal(seen)
        across = normal / (normal @ seen.mean(0))
        f, (cx, cy) = self.fine.focal_px, self.fine.principal
        h, w = patch.mask.shape
        xs, ys = (patch.x + np.arange(w) - cx) / f, (patch.y + np.arange(h) - cy) / f
        return (across[0] * xs[None] + (across[1] * ys + across[2])[:, None]).astype(np.float32)

    def _texels(self, texture: Texture, patch: Patch) -> np.ndarray:
        h, w = patch.mask.shape
        rows = texture.gain.shape[0]
        k = texture.per_m
        place = np.array([[1 / k, 0, 0.5 / k], [0, -1 / k, (rows - 0.5) / k], [0, 0, 1.0]])
        to_px = self.fine.plane(texture.origin, texture.right, texture.up) @ place
        move = np.array([[1, 0, -patch.x], [0, 1, -patch.y], [0, 0, 1.0]])
        return cv2.warpPerspective(texture.gain, move @ to_px, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)

    def stamp(self, x: float, y: float, near: float, paint: np.ndarray, alpha: np.ndarray) -> None:
        """Lay a picture (h, w, 3) with ``alpha`` (h, w) on the canvas, its corner at fine px (x, y), where nothing is nearer."""
        h, w = alpha.shape
        x, y = round(x), round(y)
        x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, self.near.shape[1]), min(y + h, self.near.shape[0])
        if x1 <= x0 or y1 <= y0:
            return
        a = alpha[y0 - y : y1 - y, x0 - x : x1 - x].astype(np.float32)
        box = (slice(y0, y1), slice(x0, x1))
        a = a * (self.near[box] <= near)
        self.colour[box] += a[..., None] * (paint[y0 - y : y1 - y, x0 - x : x1 - x] - self.colour[box])
        hard = a > 0.5
        self.near[box][hard] = near
        self.owner[box][hard] = CLUTTER

    def rays(self, patch: Patch) -> np.ndarray:
        """(h, w, 3) world directions through the patch's pixels, one metre deep."""
        h, w = patch.mask.shape
        f, (cx, cy) = self.fine.focal_px, self.fine.principal
        ys, xs = np.mgrid[patch.y : patch.y + h, patch.x : patch.x + w]
        return np.dstack([(xs - cx) / f, (ys - cy) / f, np.ones((h, w))]) @ self.fine.rotation

    def picture(self) -> np.ndarray:
        """(h, w, 3) float32 at the picture's own size."""
        w, h = self.camera.size
        return cv2.resize(self.colour, (w, h), interpolation=cv2.INTER_AREA)


def _plane_normal(points: np.ndarray) -> np.ndarray:
    """Newell's normal of a flat polygon (n, 3)."""
    following = np.roll(points, -1, 0)
    return np.cross(points, following).sum(0)


def _clip_near(points: np.ndarray) -> np.ndarray:
    """Sutherland-Hodgman against the plane just in front of the camera; (n, 3) camera m."""
    out = []
    for a, b in zip(points, np.roll(points, -1, 0), strict=True):
        if a[2] > NEAR_M:
            out.append(a)
        if (a[2] > NEAR_M) != (b[2] > NEAR_M):
            out.append(a + (b - a) * (NEAR_M - a[2]) / (b[2] - a[2]))
    return np.array(out).reshape(-1, 3)


def _spans(flat: np.ndarray, ys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """For each row the x range [left, right) inside a convex polygon."""
    left, right = np.full(len(ys), np.inf), np.full(len(ys), -np.inf)
    for a, b in zip(flat, np.roll(flat, -1, 0), strict=True):
        low, high = (a, b) if a[1] <= b[1] else (b, a)
        rows = (ys >= low[1]) & (ys < high[1])
        if rows.any():
            x = low[0] + (ys[rows] - low[1]) * (high[0] - low[0]) / (high[1] - low[1])
            left[rows], right[rows] = np.minimum(left[rows], x), np.maximum(right[rows], x)
    return left, right
