"""The working frame: reference and drawing laid into one raster, in which the subject has a fixed size.

Frame px are reference px scaled and moved; `Frame.from_reference` says how. Everything that matching measures in px it measures
here, so that its constants mean the same for a thumbnail and for a 12-megapixel photograph.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff import geometry
from featurediff.records import Subject

# A subject much wider than high (a row of things) is drawn to its breadth: from here on, half the diagonal counts as its size.
DIAGONAL_SHARE = 0.5


def working_size(subject: Subject) -> float:
    """The size, reference px, whose fractions are matching's lengths: the subject's own, or half the diagonal of its region.

    It bounds the frame's area, and with it time and memory, whatever the region's shape.
    """
    return max(subject.size_px, DIAGONAL_SHARE * float(np.hypot(*np.ptp(subject.region, axis=0))))


@dataclass(frozen=True)
class Frame:
    """``from_reference`` (3, 3): reference px -> frame px. ``shape`` (h, w). ``size``: the `working_size` in frame px."""

    from_reference: np.ndarray
    shape: tuple[int, int]
    size: float


def make_frame(subject: Subject, size: float, margin: float = 0.12) -> Frame:
    """A frame around the subject's region, in which its `working_size` is ``size`` px."""
    region, size_px = subject.region, working_size(subject)
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
