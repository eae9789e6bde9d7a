"""Template banks: what the reference could look like when drawn.

No one rendering of a photograph resembles every hand. ``tone`` is the photograph's own edges, which tonal drawings share;
``line`` is the detector's curves drawn as lines, which clean line work shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.channels import at_orientation, edge_layers
from featurediff.matching.correlate import Curve, Field, make_field
from featurediff.matching.frame import Frame
from featurediff.matching.tuning import Tuning
from featurediff.records import Subject

# Channel strength of an edge that nobody would miss.
CLEAR_EDGE = 0.6


@dataclass(frozen=True)
class Bank:
    """``field``: what templates are cut from; ``grain`` px: its correlation length."""

    name: str
    field: Field
    grain: float


def field_of(grey: np.ndarray, size: float, tuning: Tuning) -> Field:
    """Edge strength of a picture (h, w) in the frame, at the scale that suits a subject of ``size`` px."""
    return make_field(edge_layers(grey, tuning.derivative * size, tuning.spread * size, tuning.contrast * size))


def tone_bank(grey: np.ndarray, frame: Frame, tuning: Tuning) -> Bank:
    """The reference's own edges; ``grey`` (h, w) is the reference in the frame."""
    return Bank("tone", field_of(grey, frame.size, tuning), tuning.grain * frame.size)


def line_bank(subject: Subject, frame: Frame, tuning: Tuning, tone: Bank) -> Bank:
    """The detector's curves, drawn as lines: dark where the photograph itself has an edge along them, faint where it has none.

    A curve that lies off every edge (an estimated one, or one that the detector misplaced) is no place for a pencil line.
    """
    curves = [(each.points, each.closed) for each in subject.features if len(each.points) > 1]
    curves += [(line, True) for each in subject.features for line in each.beside]
    return drawn_bank([(geometry.apply(frame.from_reference, line), closed) for line, closed in curves], frame.size, tuning, tone)


def drawn_bank(curves: list[Curve], size: float, tuning: Tuning, tone: Bank) -> Bank:
    """Curves in the px of ``tone`` drawn as lines, each as dark as its edge is clear there; the subject has ``size`` px."""
    canvas = np.zeros(tone.field.layers.shape[:2], np.uint8)
    thickness = max(round(tuning.line_width * size), 1)
    for points, closed in curves:
        line = geometry.resample(points, 1.5 * tuning.line_width * size, closed)
        ends = np.roll(line, -1, 0) if closed else line[1:]
        for start, end, strength in zip(line, ends, edge_support(tone.field, line, closed), strict=False):
            pair = np.round(np.stack([start, end]) * 16).astype(np.int32)
            cv2.line(canvas, pair[0].tolist(), pair[1].tolist(), int(255 * strength), thickness, cv2.LINE_AA, 4)
    return Bank("line", field_of(1.0 - canvas.astype(np.float32) / 255.0, size, tuning), tuning.grain * size)


def edge_support(field: Field, curve: np.ndarray, closed: bool) -> np.ndarray:
    """How clearly the picture has an edge along a curve (n, 2) frame px, at each point, 0..1."""
    normal = geometry.normals(curve, closed)
    angle = 2 * np.arctan2(normal[:, 1], normal[:, 0])
    rows = np.clip(np.round(curve[:, 1]).astype(int), 0, field.layers.shape[0] - 1)
    columns = np.clip(np.round(curve[:, 0]).astype(int), 0, field.layers.shape[1] - 1)
    strength = at_orientation(field.layers[rows, columns].T, angle)
    return np.clip(strength / CLEAR_EDGE, 0.0, 1.0)


def mixed_bank(tone: Bank, line: Bank) -> Bank:
    """Both at once: the photograph's edges, and the curves as lines on top."""
    return Bank("mixed", make_field(np.moveaxis(tone.field.layers + line.field.layers, 2, 0)), tone.grain)
