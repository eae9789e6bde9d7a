"""A closer look at one place of the frame: the two edges of a lip, lines drawn side by side, which the frame runs together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from featurediff import geometry
from featurediff.matching.banks import Bank, drawn_bank, field_of, mixed_bank
from featurediff.matching.correlate import Field
from featurediff.matching.frame import Frame, warp_into
from featurediff.matching.tuning import CLOSE

# So many px for one of the frame.
ZOOM = 2.0


@dataclass(frozen=True)
class CloseUp:
    """Both pictures around one place. ``corner`` (2,): the enlarged frame's px of its top left px. ``size``: the frame's size in
    its px."""

    bank: Bank
    drawing: Field
    corner: np.ndarray
    size: float

    def inside(self, points: np.ndarray) -> np.ndarray:
        """Frame px (n, 2) to px of this look."""
        return geometry.rescale_points(points, ZOOM) - self.corner


class CloseUps:
    """Makes close looks at the reference ``reference`` (h, w) and the ``drawing`` (h, w), laid into ``frame`` by ``to_frame``
    (3, 3). What all of them share is made when the first is asked for."""

    def __init__(self, reference: np.ndarray, drawing: np.ndarray, frame: Frame, to_frame: np.ndarray):
        self._pictures = ((reference, frame.from_reference), (drawing, to_frame))
        self._frame = frame

    @cached_property
    def _laid(self) -> list[np.ndarray]:
        shape = tuple(int(np.ceil(side * ZOOM)) for side in self._frame.shape)
        return [warp_into(picture, geometry.rescale_matrix(ZOOM) @ matrix, shape) for picture, matrix in self._pictures]

    def look(self, curves: list[np.ndarray], margin: float) -> CloseUp:
        """Around closed curves (n, 2) frame px, drawn as lines, and ``margin`` px of the frame more."""
        reference, drawing = self._laid
        size = ZOOM * self._frame.size
        large = [geometry.rescale_points(curve, ZOOM) for curve in curves]
        low = np.clip(np.floor(np.vstack(large).min(0) - ZOOM * margin), 0, None).astype(int)
        high = np.minimum(np.ceil(np.vstack(large).max(0) + ZOOM * margin).astype(int) + 1, reference.shape[::-1])
        cut = np.s_[low[1] : high[1], low[0] : high[0]]
        tone = Bank("tone", field_of(reference[cut], size, CLOSE), CLOSE.grain * size)
        line = drawn_bank([(curve - low, True) for curve in large], size, CLOSE, tone)
        return CloseUp(mixed_bank(tone, line), field_of(drawing[cut], size, CLOSE), low, size)
