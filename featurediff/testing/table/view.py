"""A pinhole camera that looks down on a table: x to the right, y away from the viewer, z up, in mm; the table is z = 0."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class View:
    """``camera`` (3, 3), ``rotation`` (3, 3) and ``translation`` (3,) as in OpenCV's pinhole model; ``size`` (w, h) px."""

    camera: np.ndarray
    rotation: np.ndarray
    translation: np.ndarray
    size: tuple[int, int]

    @property
    def centre(self) -> np.ndarray:
        """(3,) where the camera stands, mm."""
        return -self.rotation.T @ self.translation

    @property
    def elevation_deg(self) -> float:
        """How steeply the lens axis looks down on the table."""
        return math.degrees(math.asin(-self.rotation[2, 2]))

    def project(self, points: np.ndarray) -> np.ndarray:
        """(..., 3) mm -> (..., 2) px."""
        at = np.asarray(points, float) @ self.rotation.T + self.translation
        return at[..., :2] / at[..., 2:] * np.diag(self.camera)[:2] + self.camera[:2, 2]

    def depth(self, points: np.ndarray) -> np.ndarray:
        """(..., 3) mm -> (...,) distance along the lens axis, mm."""
        return np.asarray(points, float) @ self.rotation[2] + self.translation[2]

    def rays(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """(..., 3) directions through px, of length 1 along the lens axis: centre + depth * ray is the point at that depth."""
        flat = [(x - self.camera[0, 2]) / self.camera[0, 0], (y - self.camera[1, 2]) / self.camera[1, 1]]
        a, b, c = self.rotation
        return flat[0][..., None] * a + flat[1][..., None] * b + c

    def plane(self, height: float = 0.0) -> np.ndarray:
        """(3, 3) homography from (x, y) mm on the level plane at ``height`` to px."""
        third = self.rotation[:, 2] * height + self.translation
        return self.camera @ np.column_stack([self.rotation[:, 0], self.rotation[:, 1], third])

    def scaled(self, factor: float) -> View:
        """The same camera with ``factor`` times as many pixels a side."""
        camera = self.camera.copy()
        camera[:2] *= factor
        camera[:2, 2] += 0.5 * factor - 0.5
        return View(camera, self.rotation, self.translation, (round(self.size[0] * factor), round(self.size[1] * factor)))


def look(target: np.ndarray, elevation_deg: float, distance: float, focal: float, size: tuple[int, int]) -> View:
    """A level camera ``distance`` mm from ``target`` (3,), looking at it from ``elevation_deg`` above; ``focal`` in px."""
    e = math.radians(elevation_deg)
    forward = np.array([0.0, math.cos(e), -math.sin(e)])
    rotation = np.array([[1.0, 0, 0], np.cross(forward, [1.0, 0, 0]), forward])
    centre = np.asarray(target, float) - distance * forward
    camera = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1.0]])
    return View(camera, rotation, -rotation @ centre, size)
