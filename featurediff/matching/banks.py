"""Template banks: what the reference could look like when drawn.

No one rendering of a photograph resembles every hand. ``tone`` is the photograph's own edges, which tonal drawings share;
``line`` is the detector's curves drawn as lines, which clean line work shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.channels import edge_channels
from featurediff.matching.correlate import Field, make_field
from featurediff.matching.frame import Frame
from featurediff.matching.tuning import Tuning
from featurediff.records import Subject


@dataclass(frozen=True)
class Bank:
    """``field``: the channels to cut templates from; ``grain`` px: their correlation length."""

    name: str
    field: Field
    grain: float


def field_of(grey: np.ndarray, size: float, tuning: Tuning) -> Field:
    """Edge channels of a picture (h, w) in the frame, at the scale that suits a subject of ``size`` px."""
    return make_field(edge_channels(grey, tuning.derivative * size, tuning.spread * size, tuning.contrast * size))


def tone_bank(grey: np.ndarray, frame: Frame, tuning: Tuning) -> Bank:
    """The reference's own edges; ``grey`` (h, w) is the reference in the frame."""
    return Bank("tone", field_of(grey, frame.size, tuning), tuning.grain * frame.size)


def line_bank(subject: Subject, frame: Frame, tuning: Tuning) -> Bank:
    """The detector's curves, drawn as dark lines on paper."""
    canvas = np.zeros(frame.shape, np.uint8)
    thickness = max(round(tuning.line_width * frame.size), 1)
    for feature in subject.features:
        if len(feature.points) < 2:
            continue
        points = np.round(geometry.apply(frame.from_reference, feature.points) * 16).astype(np.int32)
        cv2.polylines(canvas, [points.reshape(-1, 1, 2)], feature.closed, 255, thickness, cv2.LINE_AA, 4)
    return Bank("line", field_of(1.0 - canvas.astype(np.float32) / 255.0, frame.size, tuning), tuning.grain * frame.size)
