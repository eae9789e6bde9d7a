"""A facade seen straight on: the homography that two vanishing points give, and the picture warped by it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import apply


@dataclass(frozen=True)
class Rectified:
    """A facade plane warped so that its levels run along x and its verticals along y.

    ``pixels`` is (h, w, 3) uint8; ``inside`` (h, w) bool is True where the picture, and its region, has something to show.
    ``to_picture`` (3, 3) maps px of the warped picture to px of the picture. Widths and heights are each true up to one
    factor, because two vanishing points without a known lens do not tell their ratio.
    """

    pixels: np.ndarray
    inside: np.ndarray
    to_picture: np.ndarray


def plane_homography(across: np.ndarray, up: np.ndarray, origin: np.ndarray) -> np.ndarray:
    """(3, 3) facade -> picture, from the vanishing points of the facade's levels and verticals, homogeneous (3,).

    At ``origin`` (2,), which is (0, 0) of the facade, one unit is one px both ways; x runs right and y down there.
    Geometry: the images of a plane's two directions and of a point on it are the columns of its homography up to their
    scales (Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2003, ch. 2 and 8; from memory).
    Raises ValueError when the two directions coincide at ``origin``.
    """
    o = np.array([origin[0], origin[1], 1.0])
    columns = []
    for point, axis in ((across, 0), (up, 1)):
        point = np.asarray(point, float) / np.linalg.norm(point)
        step = point[:2] - point[2] * o[:2]
        length = np.hypot(*step)
        if length < 1e-9:
            raise ValueError("the vanishing point lies on the facade's origin")
        columns.append(point * (np.sign(step[axis]) or 1.0) / length)
    matrix = np.column_stack([*columns, o])
    steps = matrix[:2, :2] - np.outer(o[:2], matrix[2, :2])
    if abs(np.linalg.det(steps)) < 0.1:
        raise ValueError("levels and verticals run the same way")
    return matrix


def rectify(
    pixels: np.ndarray, across: np.ndarray, up: np.ndarray, region: np.ndarray | None = None, longest: int = 1050
) -> Rectified:
    """The facade as seen straight on.

    ``pixels`` (h, w, 3) uint8; ``region`` (m, 2) px, the facade's outline, or None for the whole picture. The part of the
    plane that lies behind or far towards a vanishing point, where one px of the picture covers many of the result, is left out.
    ``longest``: px of the result's long side at most. Raises ValueError as `plane_homography`, or when nothing is left.
    """
    height, width = pixels.shape[:2]
    frame = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], float)
    region = frame if region is None or len(region) < 3 else np.asarray(region, float)
    region = np.column_stack([np.clip(region[:, 0], 0, width - 1), np.clip(region[:, 1], 0, height - 1)])
    plane = plane_homography(across, up, region.mean(0))
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.round(region).astype(np.int32)], 255)
    usable = _usable(mask, plane)
    pieces = cv2.findContours(usable.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
    outline = np.vstack([piece[:, 0] for piece in pieces]).astype(float) if pieces else np.zeros((0, 2))
    if len(outline) < 3 or np.ptp(outline, axis=0).min() < 10:
        raise ValueError("nothing of the facade is seen")
    flat = apply(np.linalg.inv(plane), outline)
    low, high = flat.min(0), flat.max(0)
    scale = min(longest / max(high - low), 1.6)
    size = np.maximum(np.ceil((high - low) * scale).astype(int), 8)
    to_plane = np.array([[1 / scale, 0, low[0] + 0.5 / scale], [0, 1 / scale, low[1] + 0.5 / scale], [0, 0, 1.0]])
    to_picture = plane @ to_plane
    to_picture = to_picture / to_picture[2, 2]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    warped = cv2.warpPerspective(pixels, to_picture, tuple(int(s) for s in size), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpPerspective(
        usable.astype(np.uint8), to_picture, tuple(int(s) for s in size), flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    )
    return Rectified(warped, inside > 0, to_picture)


def _usable(mask: np.ndarray, plane: np.ndarray, smallest: float = 0.12) -> np.ndarray:
    """The px of ``mask`` that lie before the plane's line at infinity and are shortened less than to ``smallest``.

    The weight w of a facade point falls towards the horizon line; on the picture 1/w is linear in the px.
    """
    line = np.linalg.inv(plane)[2]
    height, width = mask.shape
    x, y = np.arange(width)[None, :], np.arange(height)[:, None]
    near = line[0] * x + line[1] * y + line[2]
    return (mask > 0) & (near > smallest)
