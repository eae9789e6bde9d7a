"""From four corners to millimetres: homography, portrait or landscape, and the camera's tilt."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# Half the diagonal of 35 mm film is what "equivalent focal length" refers to (CIPA DCG-001).
FILM_DIAGONAL_MM = math.hypot(36, 24)
PHONE_LENS_MM = 26.0  # the usual main lens of a phone, common practice, no source
_LENS_SPREAD = 0.25  # natural logarithm: phones and cameras from about 20 to 35 mm, now and then more
_EXIF_SPREAD = 0.03
_ASPECT_SPREAD = 0.004  # how far a sheet's own proportions may be off: 1 mm in 297 (ISO 216 allows 2)


@dataclass(frozen=True)
class Pose:
    """``to_px``: (3, 3) sheet mm -> photo px. ``size_mm`` as seen upright. ``misfit``: log of seen over named aspect."""

    to_px: np.ndarray
    size_mm: tuple[float, float]
    tilt_deg: float
    misfit: float


def homography(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """(3, 3) homography that takes four points (4, 2) exactly to four others; the last entry is 1."""
    rows, right = [], []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(np.linalg.solve(np.array(rows, float), np.array(right, float)), 1.0).reshape(3, 3)


def top_left(corners: np.ndarray) -> int:
    """Index of the sheet's top left among its clockwise corners (4, 2): the side from it to the next runs most to the right."""
    side = np.roll(corners, -1, axis=0) - corners
    return int((side[:, 0] / np.hypot(*side.T)).argmax())


def rectangle(size_mm: tuple[float, float]) -> np.ndarray:
    """(4, 2) corners of the sheet in mm: top left, top right, bottom right, bottom left."""
    width, height = size_mm
    return np.array([[0, 0], [width, 0], [width, height], [0, height]], float)


def find_pose(corners: np.ndarray, size_mm: tuple[float, float], shape: tuple[int, int], focal_35mm: float | None) -> Pose:
    """The pose of a sheet of that size, in whichever orientation fits ``corners`` (from the top left) better.

    ``shape`` is (height, width) of the photo in px. The tilt is the angle between the lens's axis and the sheet's normal. It
    needs the focal length: from EXIF (``focal_35mm``) when given; else the one that best makes the sheet's sides perpendicular
    and of the named lengths, held near a phone's 26 mm equivalent - which decides alone at small tilts, where the sheet tells
    nothing: then a 5 degree tilt taken with a 35 mm lens reads about 4. Method: the columns of K^-1 H are two perpendicular
    vectors of equal length (Zhang 2000, IEEE TPAMI 22(11)).
    """
    low, high = sorted(size_mm)
    candidates = [_pose(corners, size, shape, focal_35mm) for size in ((low, high), (high, low))]
    return min(candidates, key=lambda candidate: candidate[0])[1]


def _pose(
    corners: np.ndarray, size_mm: tuple[float, float], shape: tuple[int, int], focal_35mm: float | None
) -> tuple[float, Pose]:
    to_px = homography(rectangle(size_mm), corners)
    spread = _EXIF_SPREAD if focal_35mm else _LENS_SPREAD
    deviation = np.linspace(-3, 3, 61)
    focal = (focal_35mm or PHONE_LENS_MM) / FILM_DIAGONAL_MM * math.hypot(*shape) * np.exp(deviation * spread)
    across, down = _sheet_axes(to_px, focal, shape)
    aspect = np.log(np.linalg.norm(across, axis=1) / np.linalg.norm(down, axis=1))
    skew = (across * down).sum(1) / np.linalg.norm(across, axis=1) / np.linalg.norm(down, axis=1)
    cost = deviation**2 + (aspect / _ASPECT_SPREAD) ** 2 + (skew / _ASPECT_SPREAD) ** 2
    best = int(cost.argmin())
    normal = np.cross(across[best], down[best])
    tilt = math.degrees(math.acos(min(1.0, abs(normal[2]) / np.linalg.norm(normal))))
    return float(cost[best]), Pose(to_px, size_mm, tilt, float(aspect[best]))


def _sheet_axes(to_px: np.ndarray, focal: np.ndarray, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3) directions of the sheet's two sides in the camera's frame, for each focal length in px."""
    centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    shifted = to_px.copy()
    shifted[:2] -= centre[:, None] * to_px[2]
    columns = np.repeat(shifted[None, :, :2], len(focal), axis=0)
    columns[:, :2] /= focal[:, None, None]
    return columns[:, :, 0], columns[:, :, 1]
