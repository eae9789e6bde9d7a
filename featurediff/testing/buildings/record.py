"""What a building scene holds: the pinhole camera, the rhythm of a wall, and the scene with its exact edges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from featurediff.testing.scenes import Scene

# World: x to the right, y away, z up, in metres; camera: x to the right, y down, z ahead.
LEVEL = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
AXES = {"x": np.array([1.0, 0, 0]), "y": np.array([0, 1.0, 0]), "z": np.array([0, 0, 1.0])}


@dataclass(frozen=True)
class Camera:
    """A pinhole without distortion. ``focal_px``; ``principal`` (x, y) px, not always the picture's middle (a cropped or shifted
    picture); ``rotation`` (3, 3) world -> camera; ``position`` (3,) m; ``size`` (w, h) px."""

    focal_px: float
    principal: tuple[float, float]
    rotation: np.ndarray
    position: np.ndarray
    size: tuple[int, int]

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3) camera matrix K."""
        return np.array([[self.focal_px, 0, self.principal[0]], [0, self.focal_px, self.principal[1]], [0, 0, 1.0]])

    def ahead(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) world m -> (n, 3) camera m."""
        return (np.asarray(points, float).reshape(-1, 3) - self.position) @ self.rotation.T

    def project(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) world m, in front of the camera -> (n, 2) px."""
        seen = self.ahead(points)
        return self.focal_px * seen[:, :2] / seen[:, 2:] + np.array(self.principal)

    def plane(self, origin: np.ndarray, right: np.ndarray, up: np.ndarray) -> np.ndarray:
        """(3, 3) homography of a plane's (u, v) m -> px; ``origin`` a point of it, ``right`` and ``up`` its unit directions.

        Its third row gives the depth: positive in front of the camera."""
        return self.matrix @ np.column_stack([self.rotation @ right, self.rotation @ up, self.ahead(origin)[0]])

    def vanishing(self, direction: np.ndarray) -> np.ndarray:
        """(3,) homogeneous vanishing point of a world direction: (x, y, 1) px, or (x, y, 0) with a unit direction when it is
        further than 100 000 px away. Hartley & Zisserman, Multiple View Geometry, ch. 8: v = K R d."""
        v = self.matrix @ self.rotation @ np.asarray(direction, float)
        if abs(v[2]) * 1e5 <= np.hypot(*v[:2]):
            return np.array([*v[:2], 0.0]) / np.hypot(*v[:2])
        return v / v[2]

    @property
    def eye_level(self) -> np.ndarray:
        """(3,) line a x + b y + c = 0 on which all level directions vanish, (a, b) a unit vector, b > 0."""
        line = np.linalg.inv(self.matrix).T @ self.rotation @ AXES["z"]
        line = line / np.hypot(*line[:2])
        return line if line[1] > 0 else -line

    def eye_level_at(self, x: float) -> float:
        """y px of the eye level at column ``x``."""
        a, b, c = self.eye_level
        return float(-(a * x + c) / b)


@dataclass(frozen=True)
class Rhythm:
    """The windows of one wall. ``matrix`` (3, 3): (u, v) m on the wall -> px, u to the picture's right, v up.

    ``columns``, ``rows``: (low, high) m of each window column from the picture's left, of each row from the ground; a row's high
    is the window's head. ``ends`` (u, u): the wall's left and right end. ``top``: height of the eaves in m; ``peak`` (u, v): the
    gable's or the ridge's top, or None. ``spacing``: m from column to column.
    """

    matrix: np.ndarray
    columns: tuple[tuple[float, float], ...]
    rows: tuple[tuple[float, float], ...]
    ends: tuple[float, float]
    top: float
    peak: tuple[float, float] | None = None

    @property
    def spacing(self) -> float:
        return self.columns[1][0] - self.columns[0][0] if len(self.columns) > 1 else 0.0


@dataclass(frozen=True)
class BuildingScene(Scene):
    """A rendered building with its exact edges. Further to `Scene`:

    ``kinds``: curve name -> "vertical", "receding left", "receding right" (to which side its vanishing point lies), "level",
    "slope", "window", "door", "arch", "dome" or "clutter". ``camera``. ``rhythms``: wall name -> `Rhythm`. ``vanishing``: "x",
    "y", "z" -> homogeneous (3,), see `Camera.vanishing`. ``kind``: the sort of view.
    """

    kinds: Mapping[str, str] = field(default_factory=dict)
    camera: Camera | None = None
    rhythms: Mapping[str, Rhythm] = field(default_factory=dict)
    kind: str = ""

    @property
    def vanishing(self) -> dict[str, np.ndarray]:
        return {name: self.camera.vanishing(axis) for name, axis in AXES.items()}

    def named(self, *kinds: str) -> tuple[str, ...]:
        """The names of all curves of these kinds."""
        return tuple(name for name in self.curves if self.kinds.get(name) in kinds)
