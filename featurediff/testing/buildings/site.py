"""The building site: canvas, sun and the edges recorded so far; planes in metres, boxes and shadows on them."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from featurediff.testing.buildings import textures
from featurediff.testing.buildings.canvas import BUILDING, Canvas, Patch, Texture
from featurediff.testing.buildings.record import AXES, Rhythm

UP = AXES["z"]
SHADOW = np.array([0.52, 0.55, 0.62])


@dataclass(frozen=True)
class Frame:
    """An upright wall's plane: ``origin`` at its lower left, ``right`` level unit direction to the picture's right, ``out``
    towards the viewer. (u, v) m on it, and metres out of it."""

    origin: np.ndarray
    right: np.ndarray
    out: np.ndarray
    up: np.ndarray = field(default_factory=lambda: UP)

    def at(self, u, v, out=0.0) -> np.ndarray:
        """World points (n, 3) of (u, v) m, ``out`` m before the wall."""
        u, v, out = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, float)) for x in (u, v, out)))
        return self.origin + u[:, None] * self.right + v[:, None] * self.up + out[:, None] * self.out

    def quad(self, u0, u1, v0, v1, out=0.0) -> np.ndarray:
        return self.at([u0, u1, u1, u0], [v0, v0, v1, v1], out)

    def flat(self, points: np.ndarray) -> np.ndarray:
        """World (n, 3) -> (u, v) of their feet on the plane."""
        away = np.asarray(points, float) - self.origin
        return np.column_stack([away @ self.right, away @ self.up])


@dataclass
class Site:
    """``sun``: unit direction towards it. ``overcast`` 0..1. ``edges``: name -> (points (n, 3) m, kind or ""), to be named."""

    canvas: Canvas
    rng: np.random.Generator
    sun: np.ndarray
    overcast: float
    edges: dict[str, tuple[np.ndarray, str]] = field(default_factory=dict)
    rhythms: dict[str, Rhythm] = field(default_factory=dict)
    clutter: dict[str, np.ndarray] = field(default_factory=dict)

    def lit(self, colour, normal: np.ndarray) -> np.ndarray:
        """A colour (3,) on a surface of that unit normal, in full sun or in its own shade."""
        facing = max(0.0, float(np.dot(normal, self.sun)))
        sky = np.array([0.53, 0.56, 0.62]) * (0.88 + 0.12 * float(normal[2])) + self.overcast * 0.22
        sun = (1 - self.overcast) * np.array([0.62, 0.58, 0.50]) * facing**0.8
        return np.asarray(colour, float) * (sky + sun)

    def seen(self, point: np.ndarray, normal: np.ndarray) -> bool:
        """Does a face there, of that normal, look towards the camera?"""
        return float(np.dot(self.canvas.camera.position - point, normal)) > 1e-9

    def texture(self, frame: Frame, u0, u1, v0, v1, material) -> Texture:
        """A material laid over a part of a plane, as fine as the canvas sees its nearest part but 110 texels a metre at most."""
        camera = self.canvas.fine
        corners = frame.quad(u0, u1, v0, v1)
        near = max(float(camera.ahead(corners)[:, 2].min()), 1.5)
        per_m = float(np.clip(camera.focal_px / near, 12, 110))
        per_m = min(per_m, (2.5e6 / max((u1 - u0) * (v1 - v0), 1.0)) ** 0.5)
        shape = (int((v1 - v0) * per_m) + 2, int((u1 - u0) * per_m) + 2)
        return Texture(material(shape, per_m, self.rng), frame.at(u0, v0)[0], frame.right, frame.up, per_m)

    def face(self, corners: np.ndarray, colour, normal: np.ndarray, **how) -> Patch | None:
        """Paint a face if it looks towards the camera."""
        if not self.seen(corners[0], normal):
            return None
        return self.canvas.paint(corners, self.lit(colour, normal), **how)

    def box(self, frame: Frame, u0, u1, v0, v1, d0, d1, colour, **how) -> None:
        """A block standing out of a wall from ``d0`` to ``d1`` m."""
        self.face(frame.quad(u0, u1, v0, v1, d1), colour, frame.out, **how)
        for u, normal in ((u0, -frame.right), (u1, frame.right)):
            self.face(frame.at([u, u, u, u], [v0, v0, v1, v1], [d0, d1, d1, d0]), colour, normal, **how)
        for v, normal in ((v0, -frame.up), (v1, frame.up)):
            self.face(frame.at([u0, u1, u1, u0], [v, v, v, v], [d0, d0, d1, d1]), colour, normal, **how)

    def cast(self, frame: Frame, points: np.ndarray, tint=SHADOW) -> None:
        """The shadow of a convex thing (n, 3) on a plane."""
        slant = float(np.dot(self.sun, frame.out))
        if slant <= 0.03 or self.overcast > 0.7:
            return
        away = (np.asarray(points, float) - frame.origin) @ frame.out
        feet = frame.flat(points - (away / slant)[:, None] * self.sun)
        hull = cv2.convexHull(feet.astype(np.float32))[:, 0]
        tint = 1 - (1 - np.asarray(tint)) * (1 - self.overcast)
        self.canvas.paint(frame.at(hull[:, 0], hull[:, 1]), tint, shade=True)

    def edge(self, name: str, points: np.ndarray, kind: str = "") -> None:
        """Record an exact edge (n, 3) m; a straight one's kind is told by its direction."""
        self.edges[name] = (np.asarray(points, float), kind)


def ground(
    site: Site, x0: float, x1: float, y0: float, y1: float, colour, material=textures.asphalt, height: float = 0.0
) -> Frame:
    """A level surface; returns its frame (u to the right, v away)."""
    from featurediff.testing.buildings.canvas import GROUND

    frame = Frame(np.array([x0, y0, height]), AXES["x"], UP, AXES["y"])
    texture = site.texture(frame, 0, x1 - x0, 0, min(y1 - y0, 40.0), material)
    site.canvas.paint(frame.quad(0, x1 - x0, 0, y1 - y0), site.lit(colour, UP), texture=texture, owner=GROUND)
    return frame


__all__ = ["BUILDING", "SHADOW", "UP", "Frame", "Site", "ground"]
