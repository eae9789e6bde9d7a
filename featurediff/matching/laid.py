"""The drawing laid into the reference's frame: everything that is looked up there while features are located."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff import geometry
from featurediff.matching.banks import field_of
from featurediff.matching.closeup import CloseUps
from featurediff.matching.correlate import Field
from featurediff.matching.frame import Frame, warp_into
from featurediff.matching.ink import ink_map
from featurediff.matching.tuning import FINE


@dataclass(frozen=True)
class Laid:
    """``grey`` (h, w): the drawing in the frame, 0 dark to 1 light; ``field``: its edges; ``ink``: its `ink_map`; ``closeups``
    shows it and the reference nearer."""

    grey: np.ndarray
    field: Field
    ink: np.ndarray
    closeups: CloseUps


def lay(reference: np.ndarray, drawing: np.ndarray, frame: Frame, laying: np.ndarray) -> Laid:
    """Lay ``drawing`` (h, w) into the frame of ``reference`` (h, w) by ``laying`` (3, 3), reference px -> drawing px."""
    to_frame = frame.from_reference @ np.linalg.inv(laying)
    grey = warp_into(drawing, to_frame, frame.shape)
    ink = ink_map(grey, drawing, geometry.split_similarity(to_frame)[0], frame.size)
    return Laid(grey, field_of(grey, frame.size, FINE), ink, CloseUps(reference, drawing, frame, to_frame))
