"""The sheet as seen square on."""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.geometry import rescale_matrix
from featurediff.records import Picture, Sheet

# The photo is first averaged down until it is at most this much finer than what is wanted; then bilinear sampling is enough.
FINER_AT_MOST = 1.25


def square(picture: Picture, sheet: Sheet, px_per_mm: float) -> np.ndarray:
    """The sheet at ``px_per_mm`` px per sheet unit, (h, w, 3) uint8; mm = (px + 0.5) / px_per_mm.

    Where the photo is finer than that it is area-averaged first, so that nothing aliases; where the sheet leaves the photo,
    the photo's border is repeated. Without a known size the whole picture is taken as the sheet, in its own px.
    """
    width, height = sheet_extent(picture, sheet)
    size = (max(round(width * px_per_mm), 1), max(round(height * px_per_mm), 1))
    # Sheet px -> mm -> photo px, all with pixel centres at integers.
    sheet_px_to_mm = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, px_per_mm]]) / px_per_mm
    sheet_px_to_photo = np.linalg.inv(sheet.to_mm) @ sheet_px_to_mm
    photo, shrink = _averaged(picture.pixels, _photo_px_per_sheet_px(sheet_px_to_photo, size))
    matrix = shrink @ sheet_px_to_photo
    return cv2.warpPerspective(
        photo, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )


def sheet_extent(picture: Picture, sheet: Sheet) -> tuple[float, float]:
    """Width and height of the sheet in its own unit; without a known size, of the whole picture."""
    if sheet.size_mm is not None:
        return sheet.size_mm
    height, width = picture.pixels.shape[:2]
    corner = sheet.to_mm @ np.array([width - 0.5, height - 0.5, 1.0])
    return float(corner[0] / corner[2]), float(corner[1] / corner[2])


def _photo_px_per_sheet_px(matrix: np.ndarray, size: tuple[int, int]) -> float:
    """How many photo px one sheet px covers at the sheet's middle (square root of the Jacobian's determinant)."""
    w = matrix[2] @ np.array([size[0] / 2, size[1] / 2, 1.0])
    return float(np.sqrt(abs(np.linalg.det(matrix) / w**3)))


def _averaged(photo: np.ndarray, finer: float) -> tuple[np.ndarray, np.ndarray]:
    if finer <= FINER_AT_MOST:
        return photo, np.eye(3)
    height, width = photo.shape[:2]
    size = (max(round(width / finer), 1), max(round(height / finer), 1))
    shrink = rescale_matrix(1.0)
    for axis, (new, old) in enumerate(zip(size, (width, height), strict=True)):
        shrink[axis, axis] = new / old
        shrink[axis, 2] = 0.5 * new / old - 0.5
    return cv2.resize(photo, size, interpolation=cv2.INTER_AREA), shrink
