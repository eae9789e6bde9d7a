"""A block that is too wide or too tall, and pushes away what lies beyond it: "narrow the front; what lies beyond follows"."""

from __future__ import annotations

import numpy as np

from featurediff.corrections.builder import Block, Builder, Hypothesis

# Blocks whose ends lie within this share of their length of each other are stretched alike; the larger is named.
_ALIKE = 0.05
# What lies beyond a block may overlap it by this share of its length.
_OVERLAP = 0.1


def add_pushes(builder: Builder, blocks: list[Block], covered) -> None:
    """Add a push for every group with straight lines and something on both sides.

    ``covered`` tells whether the features of a block cover its length along an axis, and measure it: else it is no thing but
    several, or its length is not known.
    """
    told: list[tuple[str, float, float]] = []
    for block in sorted(blocks, key=lambda each: -len(each.members)):
        if not any(builder.compared[k].feature.kind == "segment" for k in block.members):
            continue
        centre, width, height = builder.box(block.members)
        for kind, axis, extent in (("width", builder.frame.right, width), ("height", builder.frame.down, height)):
            if extent < 0.3 * max(width, height) or not covered(block.members, axis):
                continue
            middle = float(centre @ axis)
            if any(k == kind and max(abs(middle - m), abs(extent - e)) < _ALIKE * extent for k, m, e in told):
                continue
            told.append((kind, middle, extent))
            _add_push(builder, block, kind, axis, centre, extent)


def _add_push(builder: Builder, block: Block, kind: str, axis: np.ndarray, centre: np.ndarray, extent: float) -> None:
    place = ((builder.points - centre) @ axis) / extent
    others = [k for k in range(len(builder.compared)) if k not in block.members]
    after, before = ([k for k in others if (way * place[builder.belongs[k]] > 0.5 - _OVERLAP).all()] for way in (1, -1))
    if not after or not before:
        return
    # Both ways say the same once the line-up gives in; told is the side where less is to be moved.
    first = len(after) <= len(before)
    side = {("width", True): "right", ("width", False): "left", ("height", True): "bottom", ("height", False): "top"}[kind, first]
    hypothesis = Hypothesis(
        kind,
        block.target,
        block.label,
        tuple(range(len(builder.compared))),
        centre,
        axis=axis,
        side=side,
        extent=extent,
        stage="proportion" if block.stage == "placement" else block.stage,
        plural=block.plural,
        sitter_label=block.sitter_label,
        group=block.group,
        follow="what lies beyond moves with it",
        extra={"block": block.members},
    )
    builder.add_field(hypothesis, (np.clip(place, -0.5, 0.5) + (0.5 if first else -0.5))[:, None] * axis)
