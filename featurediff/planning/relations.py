"""Plumb and level relations: spots far from each other that lie on one plumb line, or at one height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.corrections.words import the
from featurediff.planning.records import Placement, Relation
from featurediff.records import Feature, Subject

MOST_PLUMB, MOST_LEVEL = 5, 2
# On one line: within this share of the subject's size and so many mm; the hand and the eye do no better. What is off by up to so
# much more is told with its amount, where little is on one line.
_WITHIN, _WITHIN_MM, _BESIDE = 0.006, 1.0, 0.025
# Nearer than this share of the size, two spots tell nothing; further than this they are not held together by eye.
_NEAR, _FAR = 0.12, 0.9
# A curve that turns by so many degrees within this share of its points has a corner there, which the eye finds.
_CORNER_DEG, _REACH = 50.0, 0.05
# Spots nearer than this share of the size are one; a closed outline of fewer points is given by its corners.
_SAME, _OUTLINE = 0.01, 8
# Parts with so many steps of the parts tree in common lie at one height anyway, but for what mirrors itself.
_CLOSE_KIN = 3


@dataclass(frozen=True)
class _Spot:
    name: str
    at: np.ndarray
    part: str
    feature: str
    weight: float
    axis: int | None = None  # 0: tells plumb relations only, 1: level ones only


def relations(subject: Subject, placed: Placement) -> tuple[Relation, ...]:
    """The best plumb relations, then the best level ones; each spot is used once in either."""
    spots = _spots(subject)
    return (*_best(subject, spots, placed, 0, MOST_PLUMB), *_best(subject, spots, placed, 1, MOST_LEVEL))


def _spots(subject: Subject) -> list[_Spot]:
    """Points, corners and ends of curves, middles of ellipses, edges of outlines, corners where straight lines meet."""
    found = []
    for corner in subject.junctions:
        ends = [subject.feature(name).points[k] for name, k in corner.ends]
        part = subject.feature(corner.ends[0][0]).part
        found.append(_Spot(_corner_name(corner.label), np.mean(ends, axis=0), part, corner.label, 1.0))
    for kind in ("point", ""):  # where a point lies at the end of a curve, it is told by the point
        for feature in subject.features:
            if (feature.kind == "point") == bool(kind) and not feature.estimated and {"across", "down"} & set(feature.measures):
                found += _of_feature(subject, feature)
    apart: list[_Spot] = []
    for spot in found:
        if all(np.hypot(*(spot.at - other.at)) > _SAME * subject.size_px or spot.axis != other.axis for other in apart):
            apart.append(spot)
    return apart


def _corner_name(label: str) -> str:
    """ "left wall, top" -> "the top of the left wall"."""
    thing, comma, end = label.rpartition(", ")
    return f"the {end} of {the(thing)}" if comma else the(label)


def _of_feature(subject: Subject, feature: Feature) -> list[_Spot]:
    own = (feature.part, feature.name, feature.importance)
    called = feature.name if any(feature.name in row.names for row in subject.rows) else the(feature.name)
    if feature.kind == "point":
        return [_Spot(called, feature.points[0], *own)]
    return [_Spot(f"the {name} of {called}", point, *own, axis) for name, point, axis in _named(feature)]


def _named(feature: Feature) -> list[tuple[str, np.ndarray, int | None]]:
    """(name, spot (2,), axis) of a feature."""
    points = feature.points
    low, high = points.min(0), points.max(0)
    middle = (low + high) / 2
    if feature.kind == "ellipse":
        return [("middle", middle, None)]
    if feature.slides:
        return []
    if feature.closed and len(points) < _OUTLINE:
        sides = [
            (name, np.array([x, middle[1]]), 0) for name, x in zip(("left edge", "right edge"), (low[0], high[0]), strict=True)
        ]
        ends = [(name, np.array([middle[0], y]), 1) for name, y in zip(("top", "foot"), (low[1], high[1]), strict=True)]
        return [("middle", middle, 0), *sides, *ends]
    corners = [(name, points[k], None) for name, k in feature.anchors.items() if _is_corner(feature, k)]
    if corners or feature.kind == "segment":
        return corners
    found = []
    for side, k in (("left", int(points[:, 0].argmin())), ("right", int(points[:, 0].argmax()))):
        # Where an open line ends without a name, only its detector may have cut it.
        if feature.closed or k not in (0, len(points) - 1):
            found.append((f"{side} edge", points[k], None))
    return found


def _is_corner(feature: Feature, index: int) -> bool:
    """Whether a curve ends or turns sharply at a point; what lies on a smooth stretch is not found by eye."""
    points, count = feature.points, len(feature.points)
    if not feature.closed and index in (0, count - 1, -1):
        return True
    reach = max(round(_REACH * count), 2)
    back, on = points[(index - reach) % count] - points[index], points[(index + reach) % count] - points[index]
    cos = float(back @ on) / max(float(np.hypot(*back) * np.hypot(*on)), 1e-9)
    return 180.0 - np.degrees(np.arccos(np.clip(cos, -1, 1))) > _CORNER_DEG


def _best(subject: Subject, spots: list[_Spot], placed: Placement, k: int, most: int) -> list[Relation]:
    """Pairs along axis ``k`` at one place, the most telling first: weighty, exact, of different parts, not trivial."""
    limit, size = min(_WITHIN * subject.size_px, _WITHIN_MM / placed.scale), subject.size_px
    spots = [spot for spot in spots if spot.axis in (None, k)]
    pairs = []
    for i, one in enumerate(spots):
        for other in spots[i + 1 :]:
            off, away = abs(float(other.at[k] - one.at[k])), abs(float(other.at[1 - k] - one.at[1 - k])) / size
            near = off <= limit or (k == 0 and off <= _BESIDE * size)
            if near and _NEAR < away < _FAR and not _kin(subject, one, other, k, limit):
                pairs.append((_telling(one, other, off / limit), one, other))
    chosen: list[Relation] = []
    used: set = set()
    for _, one, other in sorted(pairs, key=lambda each: (-each[0], each[1].name, each[2].name)):
        # A spot tells once, and so do two features.
        marks = {one.name, other.name, frozenset((one.feature, other.feature))}
        if len(chosen) < most and not marks & used:
            used |= marks
            chosen.append(_relation(one, other, placed, k))
    return chosen


def _kin(subject: Subject, one: _Spot, other: _Spot, k: int, limit: float) -> bool:
    """Of one feature, of one row, or both on one straight line: that they line up goes without saying."""
    if one.feature == other.feature:
        return True
    if k == 1 and _common(one, other) >= _CLOSE_KIN and not _mirrored(one.name, other.name):
        return True
    if any(_inside(row.items, one.feature) and _inside(row.items, other.feature) for row in subject.rows):
        return True
    lines = [f.points for f in subject.features if f.kind == "segment" and len(f.points) > 1]
    return any(_on(line, one.at, limit) and _on(line, other.at, limit) for line in lines)


def _on(line: np.ndarray, at: np.ndarray, limit: float) -> bool:
    """Whether a point lies on the straight line through the ends of ``line``, or hardly beside it."""
    way = line[-1] - line[0]
    arm = at - line[0]
    return abs(way[0] * arm[1] - way[1] * arm[0]) / max(float(np.hypot(*way)), 1e-9) < 3 * limit


def _inside(items, name: str) -> bool:
    return any(name in item for item in items)


def _telling(one: _Spot, other: _Spot, share: float) -> float:
    """Higher for what matters, for what lies exactly, and for parts far from each other on the tree."""
    return one.weight + other.weight - 0.5 * share - 0.15 * _common(one, other)


def _common(one: _Spot, other: _Spot) -> int:
    """How many steps of the parts tree both share."""
    pairs = enumerate(zip(one.part.split("/"), other.part.split("/"), strict=False))
    return next((k for k, (a, b) in pairs if a != b), min(one.part.count("/"), other.part.count("/")) + 1)


def _mirrored(one: str, other: str) -> bool:
    """ "... on the left" and "... on the right" """
    return one.replace(" on the left", "") == other.replace(" on the right", "") or other.replace(
        " on the left", ""
    ) == one.replace(" on the right", "")


def _relation(one: _Spot, other: _Spot, placed: Placement, k: int) -> Relation:
    if one.at[1 - k] > other.at[1 - k]:
        one, other = other, one
    ends = placed.to_mm(np.array([one.at, other.at]))
    off = float(ends[1, k] - ends[0, k])
    shown = tuple((float(x), float(y)) for x, y in ends)
    return Relation("plumb" if k == 0 else "level", one.name, other.name, off, shown)
