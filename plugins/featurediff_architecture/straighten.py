"""Verticals straightened as an artist does who lets no wall lean: the picture as a camera held level would have taken it."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np

from featurediff.api import Picture
from featurediff.geometry import apply, rescale_matrix
from featurediff_architecture.directions import Direction, Directions

# Diagonal of 35 mm film in mm, to which the focal length of a picture file refers.
FILM_DIAGONAL = 43.267
# A focal length in long sides of the picture: believed between these, and taken when nothing tells (28 mm on 35 mm film).
SHORT, LONG, USUAL = 0.45, 4.0, 0.78
# Verticals off plumb by less than this many degrees at the frame are left.
LEAST = 0.15


def straightened(picture: Picture, directions: Directions, scale: float) -> Picture:
    """``picture`` with its verticals upright and parallel, or as it is when they are so or not known.

    ``directions`` are those of the working copy, ``scale`` working px per px. The camera is turned about its own centre, so
    walls keep their true perspective; the picture is cropped to what the turned camera saw in full, and keeps its scale in
    the middle. The homography K R inv(K): Hartley and Zisserman, Multiple View Geometry, ch. 8 (from memory).
    """
    vertical = directions.vertical
    if vertical is None:
        return picture
    h, w = picture.pixels.shape[:2]
    if _worst_lean(directions) < LEAST:
        return picture
    focal = focal_px((w, h), picture.focal_35mm, directions, scale)
    to_full = rescale_matrix(1.0 / scale)
    turn = upright_homography(to_full @ vertical.point, (w, h), focal)
    x0, y0, x1, y1 = _inside(turn, (w, h))
    size = (int(x1 - x0) + 1, int(y1 - y0) + 1)
    move = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
    pixels = cv2.warpPerspective(picture.pixels, move @ turn, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return replace(picture, pixels=pixels)


def focal_px(size: tuple[int, int], focal_35mm: float | None, directions: Directions, scale: float) -> float:
    """The focal length in px of a picture of ``size``: from the file, else from right angles in the scene, else a usual one.

    Vanishing points of directions at right angles: (a - p) . (b - p) = -f^2, p the principal point (Caprile and Torre 1990,
    "Using vanishing points for camera calibration", IJCV 4; from memory).
    """
    long_side = max(size)
    if focal_35mm and SHORT < focal_35mm / FILM_DIAGONAL * math.hypot(*size) / long_side < LONG:
        return focal_35mm / FILM_DIAGONAL * math.hypot(*size)
    middle = (np.array(size) - 1.0) / 2.0
    # The two heaviest level directions need not be at right angles; the vertical and any level one are.
    pairs = [(directions.vertical, other) for other in directions.level if directions.vertical is not None]
    squares = [_square(a, b, middle, scale, long_side) for a, b in pairs]
    good = [s for s in squares if s is not None and SHORT * long_side < math.sqrt(s) < LONG * long_side]
    return math.sqrt(good[0]) if good else USUAL * long_side


def _square(a: Direction, b: Direction, middle: np.ndarray, scale: float, long_side: float) -> float | None:
    """f^2 in px of the picture from two directions at right angles, None when they tell none."""
    points = [apply(rescale_matrix(1.0 / scale), d.at[None])[0] - middle for d in (a, b)]
    # Far points tell the product of a large and a small number: nothing.
    if min(abs(d.point[2]) * 30 * long_side * scale - math.hypot(*d.point[:2]) for d in (a, b)) < 0:
        return None
    square = -float(points[0] @ points[1])
    return square if square > 0 else None


def upright_homography(vertical: np.ndarray, size: tuple[int, int], focal: float) -> np.ndarray:
    """(3, 3) that turns the camera by the smallest angle that sends ``vertical`` (3,) homogeneous px to straight down.

    The picture's middle keeps its place; lengths there keep their scale (the root of the area's).
    """
    middle = (np.array(size) - 1.0) / 2.0
    camera = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    way = np.linalg.solve(camera, np.asarray(vertical, float))
    way = way / np.linalg.norm(way) * (1.0 if way[1] > 0 else -1.0)
    axis = np.cross(way, [0.0, 1.0, 0.0])
    sine = float(np.linalg.norm(axis))
    if sine < 1e-12:
        return np.eye(3)
    turn, _ = cv2.Rodrigues(axis / sine * math.atan2(sine, way[1]))
    matrix = camera @ turn @ np.linalg.inv(camera)
    at = apply(matrix, np.vstack([middle, middle + [1, 0], middle + [0, 1]]))
    scale = math.sqrt(abs(float(np.linalg.det(at[1:] - at[0]))))
    back = np.array([[1 / scale, 0, middle[0] - at[0, 0] / scale], [0, 1 / scale, middle[1] - at[0, 1] / scale], [0, 0, 1.0]])
    matrix = back @ matrix
    return matrix / matrix[2, 2]


def _worst_lean(directions: Directions) -> float:
    w, h = directions.size
    down = directions.down(np.array([[0, 0], [w, 0], [0, h], [w, h]], float))
    return float(np.degrees(np.abs(np.arctan2(down[:, 0], down[:, 1]))).max())


def _inside(turn: np.ndarray, size: tuple[int, int]) -> tuple[float, float, float, float]:
    """The largest upright rectangle inside the turned frame: left, top, right, bottom."""
    w, h = size
    frame = apply(turn, np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float))
    rows = np.linspace(frame[:, 1].min(), frame[:, 1].max(), 81)[1:-1]
    spans = np.array([_span(frame, y) for y in rows])
    best, box = -1.0, (0.0, 0.0, float(w - 1), float(h - 1))
    for a in range(len(rows)):
        left, right = np.maximum.accumulate(spans[a:, 0]), np.minimum.accumulate(spans[a:, 1])
        area = np.maximum(right - left, 0.0) * (rows[a:] - rows[a])
        b = int(area.argmax())
        if area[b] > best:
            best, box = float(area[b]), (float(left[b]), float(rows[a]), float(right[b]), float(rows[a + b]))
    return box


def _span(frame: np.ndarray, y: float) -> tuple[float, float]:
    """Where the row ``y`` enters and leaves the convex quadrilateral ``frame`` (4, 2)."""
    crossings = []
    for a, b in zip(frame, np.roll(frame, -1, 0), strict=True):
        if (a[1] - y) * (b[1] - y) <= 0 and a[1] != b[1]:
            crossings.append(a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
    return (min(crossings), max(crossings)) if crossings else (0.0, 0.0)
