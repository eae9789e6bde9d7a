"""The measures of one drawing from its report as stored in JSON: by blocks ("the eyes"), by single features, and of the whole.

Lengths become % of the subject's drawn size. What has two sides is told of both together: how high, how far apart, which side
lower. What a file says is checked; a report that can't be used raises `PieceError`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from featurediff.errors import PieceError
from featurediff.habits.records import DEGREES, PERCENT, RATIO, Drawn, Key, Measured
from featurediff.habits.wholes import Spot, wholes
from featurediff.naming import printable
from featurediff.records import Block
from featurediff.settings import Tolerances

LEFT, RIGHT = " on the left", " on the right"
PLACE = ("across", "down")
# Sizes and slants that are told of a single feature, or of its two sides together.
_SIZES = ("width", "height", "openness")
_SINGLE = (*PLACE, *_SIZES, "tilt", "lean")
# A part of a block agrees with it when it is off the same way by this share of it.
_AGREES = 0.4
_LARGEST = 1e6


@dataclass(frozen=True)
class _One:
    """A deviation in % of the size, degrees or as a ratio."""

    value: float
    sigma: float
    limit: float
    unit: str


def drawn(report: Mapping[str, Any], name: str, left_out: Collection[Key] = ()) -> Drawn:
    """What a report tells of its drawing. ``left_out``: (feature, measure) that the artist drew so on purpose.

    Raises PieceError, naming ``name``, when the report can't be used.
    """
    try:
        return _drawn(report, frozenset(left_out))
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, OverflowError, ZeroDivisionError):
        raise PieceError(f"The report in '{name}' can't be used.", "Check that drawing again, or leave it out.") from None


def _drawn(report: Mapping[str, Any], left_out: frozenset[Key]) -> Drawn:
    length, unit = _number(report["size"]["length"]), report["unit"]
    if length <= 0 or unit not in ("mm", "%"):
        raise ValueError("no size")
    per_cent = 100.0 / length
    trust = report["sheet"]["trust_mm"]
    trust = _number(trust) if trust is not None else 0.0
    ones = {key: one for key, one in _deviations(report, per_cent, trust) if key not in left_out}
    blocks = _blocks(report)
    whole, ones = _of_whole(report, blocks, ones, per_cent)
    measures = [*whole, *_of_blocks(blocks, ones), *_of_features(ones, blocks)]
    found: dict[Key, Measured] = {}
    for each in measures:
        found.setdefault(each.key, each)
    size = length if unit == "mm" else None
    return Drawn(_text(report["subject"]), _text(report["size"]["label"]), size, found)


def _deviations(report: Mapping[str, Any], per_cent: float, trust: float):
    """((feature, measure), `_One`); the limit is what the list is made by: tolerance, uncertainty and trust."""
    times = Tolerances().certainty_times
    for each in report["deviations"]:
        if each["value"] is None or each["sigma"] is None or each["tolerance"] is None:
            continue
        value, sigma, tolerance = (_number(each[name]) for name in ("value", "sigma", "tolerance"))
        measure, unit = _text(each["measure"]), each["unit"]
        limit = max(tolerance, times * sigma, trust if measure in PLACE else 0.0)
        factor = per_cent if unit in ("mm", "%") else 1.0
        kind = PERCENT if unit in ("mm", "%") else DEGREES if unit == "deg" else RATIO
        if limit > 0 and sigma > 0:
            yield (_text(each["feature"]), measure), _One(value * factor, sigma * factor, limit * factor, kind)


def _blocks(report: Mapping[str, Any]) -> tuple[Block, ...]:
    """The blocks that a report names; one that names none, of an older featurediff, tells single features only."""
    return tuple(
        Block(
            _text(each["label"]),
            _text(each["kind"]),
            _names(each["names"]),
            bool(each["plural"]),
            _names(each["left"]),
            _names(each["right"]),
            bool(each["width"]),
        )
        for each in report.get("blocks", ())
    )


# ---------------------------------------------------------------- blocks


def _of_blocks(blocks: Sequence[Block], ones: Mapping[Key, _One]) -> list[Measured]:
    found = []
    for block in blocks:
        if block.kind in ("pair", "group"):
            found += [_mean(block.label, measure, block.names, ones, block.plural) for measure in PLACE]
        if block.kind == "pair":
            found += [_spacing(block, ones), _slant(block.label, block.left, block.right, ones, block.plural)]
        if block.kind == "like":
            found += [_mean(block.label, measure, block.names, ones, True) for measure in ("tilt", "openness")]
    return [each for each in found if each is not None]


def _mean(label: str, measure: str, names: Sequence[str], ones: Mapping[Key, _One], plural: bool, sign=None) -> Measured | None:
    """The mean of a measure over features; half of their variance is taken as each one's own, half as common to all."""
    keys = [(name, measure) for name in names if (name, measure) in ones]
    if not keys:
        return None
    signs = [1.0 if sign is None else sign[name] for name, _ in keys]
    values = [s * ones[key].value for s, key in zip(signs, keys, strict=True)]
    value = sum(values) / len(values)
    sigma = _joint([ones[key].sigma for key in keys])
    limit = max(sum(ones[key].limit for key in keys) / len(keys), 2.0 * sigma)
    agree = sum(each * value > 0 and abs(each) >= _AGREES * abs(value) for each in values) / len(values)
    return Measured(label, measure, value, sigma, limit, ones[keys[0]].unit, frozenset(names), plural, agree)


def _joint(sigmas: Sequence[float]) -> float:
    common = sum(sigmas) / len(sigmas)
    own = sum(sigma**2 for sigma in sigmas) / len(sigmas) ** 2
    return math.sqrt(0.5 * own + 0.5 * common**2)


def _spacing(block: Block, ones: Mapping[Key, _One]) -> Measured | None:
    return _between(block.label, "girth" if block.width else "spacing", "across", block.left, block.right, ones, block.plural)


def _slant(label: str, left: Sequence[str], right: Sequence[str], ones: Mapping[Key, _One], plural: bool) -> Measured | None:
    return _between(label, "slant", "down", left, right, ones, plural)


def _between(label, name, measure, left, right, ones, plural) -> Measured | None:
    """How much more the right side is off than the left."""
    a, b = _mean(label, measure, left, ones, plural), _mean(label, measure, right, ones, plural)
    if a is None or b is None:
        return None
    value, sigma = b.value - a.value, math.hypot(a.sigma, b.sigma)
    limit = max(a.limit, b.limit, 2.0 * sigma)
    agree = _agree_between(value, measure, left, right, ones)
    return Measured(label, name, value, sigma, limit, a.unit, a.names | b.names, plural, agree)


def _agree_between(value: float, measure: str, left: Sequence[str], right: Sequence[str], ones: Mapping[Key, _One]) -> float:
    """The share of like parts, left and right in turn, that differ the same way by a good part of it."""
    sides = [[ones[name, measure].value for name in names if (name, measure) in ones] for names in (left, right)]
    differences = [b - a for a, b in zip(*sides, strict=False)]
    return sum(each * value > 0 and abs(each) >= _AGREES * abs(value) for each in differences) / len(differences)


# ---------------------------------------------------------------- single features


def _of_features(ones: Mapping[Key, _One], blocks: Sequence[Block]) -> list[Measured]:
    names = list(dict.fromkeys(name for name, _ in ones))
    pairs = {frozenset(block.names) for block in blocks if block.kind == "pair"}
    found: list[Measured | None] = []
    for name in names:
        stem = name.removesuffix(LEFT)
        if stem != name and stem + RIGHT in names:
            found += _of_both(stem, ones, frozenset((name, stem + RIGHT)) in pairs)
        elif not name.endswith((LEFT, RIGHT)) or name.removesuffix(RIGHT) + LEFT not in names:
            found += [_mean(name, measure, (name,), ones, False) for measure in _SINGLE]
    return [each for each in found if each is not None]


def _of_both(stem: str, ones: Mapping[Key, _One], told: bool) -> list[Measured | None]:
    """A feature that lies on both sides; its place is left out when a pair of the subject ``told`` it."""
    left, right = stem + LEFT, stem + RIGHT
    label = f"{stem} on both sides"
    found = [_mean(label, measure, (left, right), ones, False) for measure in (*_SIZES, "tilt")]
    # Clockwise on the right and anticlockwise on the left is one and the same error: the outer ends are low.
    found.append(_outer_ends(label, left, right, ones))
    if not told:
        found += [_mean(label, measure, (left, right), ones, False) for measure in PLACE]
        found.append(_between(label, "spacing", "across", (left,), (right,), ones, False))
        found.append(_slant(label, (left,), (right,), ones, False))
    return found


def _outer_ends(label: str, left: str, right: str, ones: Mapping[Key, _One]) -> Measured | None:
    if (left, "tilt") not in ones or (right, "tilt") not in ones:
        return None
    found = _mean(label, "tilt", (left, right), ones, False, {left: -1.0, right: 1.0})
    return None if found is None else replace(found, measure="outer ends")


# ---------------------------------------------------------------- the whole


def _of_whole(
    report: Mapping[str, Any], blocks: Sequence[Block], ones: dict[Key, _One], per_cent: float
) -> tuple[Sequence[Measured], dict[Key, _One]]:
    """Measures of the whole, and the deviations with what the whole explains taken off."""
    block = next((each for each in blocks if each.kind == "whole"), None)
    if block is None:
        return (), ones
    edges = {name for each in blocks if each.kind == "edge" for name in each.names}
    spots, slanting = {}, set()
    for each in report["features"]:
        if not each["found"] or each["at_mm"] is None or each["off_mm"] is None:
            continue
        name = _text(each["name"])
        x, y = (_number(at) - _number(off) for at, off in zip(each["at_mm"], each["off_mm"], strict=True))
        own = [ones.get((name, measure)) for measure in PLACE]
        if name in edges and None not in own and own[0].sigma == own[1].sigma:
            own = [
                None,
                None,
            ]  # a slanting edge, known along one normal, which both share: how far it is off along itself is open
            slanting.add(name)
        spots[name] = Spot(x * per_cent, y * per_cent, *((one.value, one.limit) if one else None for one in own))
    # A sheet that was not squared may have been photographed at a turn.
    turn = _number(report["lineup"]["turn_deg"]) if report["sheet"]["squared"] and report["unit"] == "mm" else None
    found = wholes(block.label, frozenset(block.names), tuple(spots.values()), turn)
    left = dict(ones)
    for name, explained in zip(spots, found.explained, strict=False):
        if name in slanting:
            explained = _along((ones[name, "across"].value, ones[name, "down"].value), explained)
        for measure, amount in zip(PLACE, explained, strict=True):
            if (name, measure) in left:
                left[name, measure] = replace(left[name, measure], value=left[name, measure].value - amount)
    return found.measures, left


def _along(way: tuple[float, float], vector: tuple[float, float]) -> tuple[float, float]:
    """The part of a vector along ``way``."""
    square = way[0] ** 2 + way[1] ** 2
    share = (way[0] * vector[0] + way[1] * vector[1]) / square if square > 0 else 0.0
    return share * way[0], share * way[1]


# ---------------------------------------------------------------- values of files


def _number(value: Any) -> float:
    if type(value) not in (int, float) or not abs(value) < _LARGEST:
        raise ValueError("no number")
    return float(value)


def _text(value: Any) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= 300:
        raise ValueError("no text")
    return printable(value)


def _names(values: Any) -> tuple[str, ...]:
    return tuple(_text(value) for value in values)
