"""An upright copy of the head at one working size, in which everything but the landmark model looks at the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff import geometry
from featurediff_faces import topology
from featurediff_faces.features import pupil_distance
from featurediff_faces.landmarks import Face, shrink_evenly

PUPILS = 160.0  # px between the pupils in the working copy
REACH = 3.5  # half side of the copy's square, in pupil distances


@dataclass(frozen=True)
class Frame:
    """``lab`` (s, s, 3) float32 CIE L*a*b*, ``rgb`` (s, s, 3) uint8, ``inside`` (s, s) bool: where the picture has pixels.

    ``matrix`` (3, 3) maps picture px to frame px; ``face`` is the face in frame px, its roll removed.
    """

    rgb: np.ndarray
    lab: np.ndarray
    inside: np.ndarray
    matrix: np.ndarray
    face: Face

    def to_frame(self, points: np.ndarray) -> np.ndarray:
        """Picture px -> frame px."""
        return geometry.apply(self.matrix, points)

    def to_picture(self, points: np.ndarray) -> np.ndarray:
        """Frame px -> picture px."""
        return geometry.apply(np.linalg.inv(self.matrix), points)

    @property
    def scale(self) -> float:
        """Frame px per picture px."""
        return geometry.split_similarity(self.matrix)[0]


def make_frame(rgb: np.ndarray, face: Face) -> Frame:
    """Cut out, shrink (area-averaged) or enlarge, and turn upright the part of an (h, w, 3) uint8 picture around a face."""
    side = int(2 * REACH * PUPILS)
    scale = PUPILS / pupil_distance(face)
    centre = head_centre(face)
    turn = geometry.similarity_matrix(scale, -face.roll, (0.0, 0.0))
    middle = geometry.apply(turn, centre[None])[0]
    matrix = geometry.similarity_matrix(scale, -face.roll, tuple(side / 2 - 0.5 - middle))

    corners = geometry.apply(np.linalg.inv(matrix), np.array([[-2.0, -2], [side + 2, -2], [side + 2, side + 2], [-2, side + 2]]))
    x0, y0 = np.maximum(np.floor(corners.min(0)).astype(int), 0)
    x1, y1 = np.minimum(np.ceil(corners.max(0)).astype(int) + 1, (rgb.shape[1], rgb.shape[0]))
    # Whole blocks first (fast, no aliasing), then the rest of the way and the turn in one interpolation.
    factor = max(int(1 / scale), 1)
    part = shrink_evenly(rgb[y0:y1, x0:x1], factor)
    # picture px -> part px is (p - origin + 0.5) / factor - 0.5
    to_part = geometry.rescale_matrix(1 / factor) @ np.array([[1.0, 0, -x0], [0, 1.0, -y0], [0, 0, 1]])
    warp = (matrix @ np.linalg.inv(to_part))[:2]
    upright = cv2.warpAffine(part, warp, (side, side), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    ones = np.full(part.shape[:2], 255, np.uint8)
    inside = cv2.warpAffine(ones, warp, (side, side), flags=cv2.INTER_NEAREST) > 0
    lab = cv2.cvtColor(upright.astype(np.float32) / 255, cv2.COLOR_RGB2Lab)
    moved = Face(geometry.apply(matrix, face.points), face.depth * scale, face.yaw, face.pitch, 0.0)
    return Frame(upright, lab, inside, matrix, moved)


def head_centre(face: Face) -> np.ndarray:
    """A point a little above the nose, about the middle of head, neck and hair together."""
    both = topology.sides()
    eyes = (face.points[both["left"].iris_centre] + face.points[both["right"].iris_centre]) / 2
    lean = math.radians(face.roll)
    return eyes + 0.35 * pupil_distance(face) * np.array([-math.sin(lean), math.cos(lean)])
