"""A level circle seen by a camera: its exact ellipse.

A circle's image is the conic H^-T C H^-1, H the homography of its plane (Hartley and Zisserman, Multiple View Geometry,
2nd ed., section 2.2.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from featurediff.testing.table.view import View


@dataclass(frozen=True)
class Ellipse:
    """``centre`` px (of the ellipse, not the image of the circle's centre); ``long`` and ``short`` semi-axes px; ``angle_deg`` of
    the long axis, -90..90, clockwise on the picture; ``openness`` = short / long; ``outline`` (n, 2) px, the circle sampled."""

    centre: tuple[float, float]
    long: float
    short: float
    angle_deg: float
    outline: np.ndarray

    @property
    def openness(self) -> float:
        return self.short / self.long


def circle(centre: np.ndarray, radius: float, count: int = 360) -> np.ndarray:
    """(count, 3) points of a level circle about ``centre`` (3,), mm; counter-clockwise from above, first point to the right."""
    turn = np.arange(count) * (2 * math.pi / count)
    around = radius * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
    return np.asarray(centre, float) + around


def seen_circle(view: View, centre: np.ndarray, radius: float) -> Ellipse:
    """The ellipse of a level circle about ``centre`` (3,) mm."""
    to_px = view.plane(float(centre[2])) @ np.array([[1.0, 0, centre[0]], [0, 1.0, centre[1]], [0, 0, 1.0]])
    back = np.linalg.inv(to_px)
    middle, long, short, angle = ellipse_of_conic(back.T @ np.diag([1.0, 1.0, -(radius**2)]) @ back)
    return Ellipse(middle, long, short, angle, view.project(circle(centre, radius)))


def ellipse_of_conic(conic: np.ndarray) -> tuple[tuple[float, float], float, float, float]:
    """Centre, long and short semi-axes and angle (degrees) of x^T Q x = 0. Raises ValueError when it is no ellipse."""
    block, side = conic[:2, :2], conic[:2, 2]
    if np.linalg.det(block) <= 0:
        raise ValueError("the conic is no ellipse")
    middle = -np.linalg.solve(block, side)
    level = conic[2, 2] + side @ middle
    values, vectors = np.linalg.eigh(-block / level)
    axes = 1 / np.sqrt(values)
    along = vectors[:, 0]
    angle = math.degrees(math.atan2(along[1], along[0]))
    return (float(middle[0]), float(middle[1])), float(axes[0]), float(axes[1]), (angle + 90) % 180 - 90
