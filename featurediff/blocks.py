"""Which features of a subject are spoken of together, when what is common to many drawings is told.

Only names go on from here, so that a stored report can tell later that "the eyes" are these four features.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from featurediff.records import Block, Feature, Subject, under

# A straight line within so many degrees of the plumb or the level counts as one.
_PLUMB, _LEVEL = 20.0, 10.0
VERTICALS, LEVELS, ELLIPSES, EDGES = "verticals", "level lines", "ellipses", "edges"


def blocks_of(subject: Subject) -> tuple[Block, ...]:
    """The whole first, then what mirrors itself, what moves as one, and features alike in form."""
    found = [_whole(subject), *_pairs(subject), *_groups(subject), *_alike(subject)]
    told: dict[tuple, Block] = {}
    for block in found:
        sort = block.kind if block.kind in ("like", "whole", "edge") else ""
        key = (sort, frozenset(block.names))
        if block.names:
            told.setdefault(key, block)  # a pair comes before a group of the same features
    return tuple(told.values())


def _whole(subject: Subject) -> Block:
    sizes = [group for group in subject.groups if group.stage == "size"]
    label = min(sizes, key=lambda group: len(group.part)).label.removeprefix("whole ") if sizes else "whole drawing"
    return Block(label, "whole", tuple(feature.name for feature in subject.features))


def _pairs(subject: Subject) -> list[Block]:
    found = []
    for pair in subject.pairs:
        left, right = (_names(subject, [part]) for part in (pair.left, pair.right))
        if left and right:
            found.append(Block(pair.label, "pair", left + right, not pair.width, left, right, pair.width))
    return found


def _groups(subject: Subject) -> list[Block]:
    """Blocks that move as one; those of one side alone are told by their pair."""
    sides = [set(names) for pair in _pairs(subject) for names in (pair.left, pair.right)]
    found = []
    for group in subject.groups:
        names = _names(subject, [group.part])
        if group.stage != "size" and len(names) > 1 and not any(set(names) <= side for side in sides):
            found.append(Block(group.label, "group", names, group.plural))
    return found


def _alike(subject: Subject) -> list[Block]:
    aimed = {name for meeting in subject.meetings for name in meeting.members}
    straight = [feature for feature in subject.features if feature.kind == "segment" and "tilt" in feature.measures]
    upright = [f.name for f in straight if _from_level(f) > 90.0 - _PLUMB]
    level = [f.name for f in straight if _from_level(f) < _LEVEL and f.name not in aimed]
    open_ = [f.name for f in subject.features if f.kind == "ellipse" and "openness" in f.measures]
    parts = ((VERTICALS, upright), (LEVELS, level), (ELLIPSES, open_))
    edges = Block(EDGES, "edge", tuple(feature.name for feature in subject.features if feature.slides), True)
    return [*(Block(label, "like", tuple(names), True) for label, names in parts), edges]


def _from_level(feature: Feature) -> float:
    """Degrees between a straight line and the picture's level, 0 to 90."""
    x, y = np.abs(feature.points[-1] - feature.points[0])
    return math.degrees(math.atan2(y, x))


def _names(subject: Subject, parts: Iterable[str]) -> tuple[str, ...]:
    return tuple(feature.name for feature in subject.features if any(under(feature.part, part) for part in parts))
