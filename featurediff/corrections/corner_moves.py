"""A corner in the wrong place: all lines that meet there turn about their far ends, as when a peak is drawn too low."""

from __future__ import annotations

import math

import numpy as np

from featurediff.corrections.builder import Builder, Hypothesis
from featurediff.corrections.corners import Corner
from featurediff.records import Junction

# A line that a move of its end hardly turns (less than this angle between both) is only longer or shorter.
_TURNS = math.sin(math.radians(20.0))
# A corner is plainer than a block that is stretched from there, which says the same.
_COST = 0.95


def add_corners(builder: Builder, junctions: tuple[Junction, ...]) -> None:
    """Add the moves, along the subject's axes, of every corner that turn at least two of its lines."""
    for junction in junctions:
        ends = [(builder.index[name], end) for name, end in junction.ends if name in builder.index]
        corner = _corner(builder, ends)
        if corner is None:
            continue
        for axis in builder.frame.moves:
            turned = np.abs(corner.across @ axis) > _TURNS
            if turned.sum() >= 2:
                _add(builder, junction, [each for each, turns in zip(ends, turned, strict=True) if turns], axis)


def _corner(builder: Builder, ends: list[tuple[int, int]]) -> Corner | None:
    """The builder's own record of the corner where these ends lie."""
    rows = {builder.row(k, end) for k, end in ends}
    return next((corner for corner in builder.corners if set(corner.at.tolist()) == rows), None)


def _add(builder: Builder, junction: Junction, ends: list[tuple[int, int]], axis: np.ndarray) -> None:
    column = np.zeros_like(builder.points)
    for k, end in ends:
        column[builder.row(k, end)] = axis
    features = [builder.compared[k].feature for k, _ in ends]
    hypothesis = Hypothesis(
        "corner",
        f"corner {junction.label}",
        junction.label,
        tuple(k for k, _ in ends),
        builder.points[builder.row(*ends[0])],
        axis=axis,
        stage=features[0].stage,
        cost=_COST,
        visible=True,
        extra={"ends": tuple(ends), "features": tuple(features)},
    )
    builder.add_field(hypothesis, column)
