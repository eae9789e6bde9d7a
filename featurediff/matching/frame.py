"""The working frame: reference and drawing laid into one raster, in which the subject has a fixed size.

Frame px are reference px scaled and moved; `Frame.from_reference` says how. Everything that matching measures in px it measures
here, so that its constants mean the same for a thumbnail and for a 12-megapixel photograph.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff import geometry


@dataclass(frozen=True)
class Frame:
    """``from_reference`` (3, 3): reference px -> frame px. ``shape`` (h, w). ``size``: the subject's size in frame px."""

    from_reference: np.ndarray
    shape: tuple[int, int]
    size: float


def make_frame(region: np.ndarray, size_px: float, size: float, margin: float = 0.12) -> Frame:
    """A frame around ``region`` (m, 2) reference px, where ``size_px`` reference px become ``size`` frame px."""
    scale = size / size_px
    low = region.min(0) - margin * size_px
    high = region.max(0) + margin * size_px
    shape = (int(np.ceil((high[1] - low[1]) * scale)), int(np.ceil((high[0] - low[0]) * scale)))
    shift = geometry.rescale_matrix(scale)
    move = np.eye(3)
    move[:2, 2] = -geometry.apply(shift, low[None])[0]
    return Frame(move @ shift, shape, size)


def warp_into(grey: np.ndarray, to_frame: np.ndarray, shape: tuple[int, int], border: float | None = None) -> np.ndarray:
    """Resample ``grey`` (h, w) into the frame by the (3, 3) similarity or affinity px -> frame px, without aliasing.

    ``border``: the value outside the picture; None repeats its edge.
    """
    scale = float(np.sqrt(abs(np.linalg.det(to_frame[:2, :2]))))
    while scale < 0.6 and min(grey.shape) > 8:
        shrink = max(scale, 0.25)
        grey = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        to_frame = to_frame @ np.linalg.inv(geometry.rescale_matrix(shrink))
        scale /= shrink
    mode = cv2.BORDER_REPLICATE if border is None else cv2.BORDER_CONSTANT
    return cv2.warpAffine(grey, to_frame[:2], shape[::-1], flags=cv2.INTER_LINEAR, borderMode=mode, borderValue=border or 0.0)


def grey_of(pixels: np.ndarray) -> np.ndarray:
    """(h, w) float32 in 0..1 of an RGB or grey picture. Luma weights of ITU-R BT.601."""
    if pixels.ndim == 2:
        return pixels.astype(np.float32) / (255.0 if pixels.dtype == np.uint8 else 1.0)
    return cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32) / 255.0
