"""What many drawings have in common: of one artist, against chance; of a class, sheet by sheet."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from featurediff.habits.chance import corrected, mean_of
from featurediff.habits.records import Drawn, Habits, Key, Measured, Shared, Tendency
from featurediff.habits.wholes import AGREE

ENOUGH = 4
LEVEL = 0.05
# However sure, a habit is worth a word only when it goes beyond its limit in this share of the drawings.
_WORTH = 0.5
# A part's statement is told in place of the whole thing's when it is so much stronger.
_CLEARLY = 1.25
# In a class: what so many sheets share, and at least this share of those judged.
_SHEETS, _SHARE = 3, 1.0 / 3.0


def habits(drawings: Sequence[Drawn]) -> tuple[Habits, ...]:
    """The habits in first drawings of many pieces, each subject by itself, in order of their names."""
    by_subject: dict[str, list[Drawn]] = {}
    for each in drawings:
        by_subject.setdefault(each.subject, []).append(each)
    return tuple(_of_subject(subject, by_subject[subject]) for subject in sorted(by_subject))


def _of_subject(subject: str, drawings: Sequence[Drawn]) -> Habits:
    label = statistics.mode(each.size_label for each in drawings)
    sizes = [each.size for each in drawings if each.size is not None]
    size = statistics.median(sizes) if sizes else None
    if len(drawings) < ENOUGH:
        return Habits(subject, label, size, len(drawings), False)
    by_key = _by_key(drawings)
    rows = [[each for _, each in found] for found in by_key.values() if len(found) >= ENOUGH]
    means = [mean_of([each.value for each in row], [each.sigma for each in row]) for row in rows]
    p_all = corrected([each.p for each in means])
    looked_at, agreeing = [], []
    for row, mean, p in zip(rows, means, p_all, strict=True):
        first = row[0]
        limit = statistics.fmean(each.limit for each in row)
        beyond = sum(each.value * mean.mean > 0 and abs(each.value) > each.limit for each in row)
        found = Tendency(
            first.label, first.measure, first.plural, first.unit, len(row), mean.mean, mean.spread, mean.error, mean.p, p,
            beyond, limit, tuple(each.value for each in row), tuple(each.sigma for each in row), first.names,
        )  # fmt: skip
        looked_at.append(found)
        if p <= LEVEL and beyond >= _WORTH * len(row) and statistics.median(each.agree for each in row) >= AGREE:
            agreeing.append(found)
    looked_at.sort(key=lambda each: (each.p, each.label, each.measure))
    told = _apart(agreeing, lambda each: abs(each.mean))
    told.sort(key=lambda each: -abs(each.mean) / each.limit)
    return Habits(subject, label, size, len(drawings), True, tuple(told), tuple(looked_at))


def shared(sheets: Mapping[int, Drawn]) -> tuple[Shared, ...]:
    """What many sheets of one reference have in common, most first; ``sheets`` by number."""
    found = []
    for row in _by_key(sheets.values(), tuple(sheets)).values():
        for sign in (1, -1):
            each = _off_this_way(row, sign)
            if each is not None and each.count >= max(_SHEETS, math.ceil(_SHARE * each.judged)):
                found.append(each)
    return tuple(sorted(_apart(found, lambda each: each.count), key=lambda each: (-each.count, -len(each.names), each.label)))


def _off_this_way(row: Sequence[tuple[int, Measured]], sign: int) -> Shared | None:
    off = [(number, each, sign * each.value > each.limit and each.agree >= AGREE) for number, each in row]
    counted = [each for _, each, counts in off if counts]
    if not counted:
        return None
    values = [each.value for each in counted]
    first = counted[0]
    return Shared(
        first.label, first.measure, first.plural, first.unit, sign, len(counted), len(row), statistics.fmean(values),
        statistics.stdev(values) if len(values) > 1 else 0.0, statistics.fmean(each.limit for _, each in row),
        tuple((number, each.value, counts) for number, each, counts in off), first.names,
    )  # fmt: skip


def _by_key(drawings, numbers: Sequence[int] | None = None) -> dict[Key, list[tuple[int, Measured]]]:
    found: dict[Key, list[tuple[int, Measured]]] = {}
    drawings = list(drawings)
    for number, drawing in zip(numbers or range(len(drawings)), drawings, strict=True):
        for key, each in drawing.measures.items():
            found.setdefault(key, []).append((number, each))
    return found


# Measures that tell one error in different ways, when one is about a part of the other.
_KIN = {"girth": "width", "spacing": "width", "lean": "tilt", "fall": "tilt", "outer ends": "outer", "aspect": "width"}


def _apart(found: Sequence, strength: Callable[[Any], float]) -> list:
    """Of statements about a thing and about its parts one alone: the thing's, unless a part's is clearly stronger."""
    ordered = sorted(found, key=lambda each: (-len(each.names), -strength(each), each.label, each.measure))
    kept: list = []
    for each in ordered:
        parts = [other for other in found if other is not each and other.names < each.names and _same(each, other)]
        weaker = any(strength(other) > _CLEARLY * strength(each) and other.measure == each.measure for other in parts)
        if not weaker and not any(_same(each, other) and each.names <= other.names for other in kept):
            kept.append(each)
    return kept


def _same(one: Any, other: Any) -> bool:
    """Whether both tell one kind of error, the same way."""
    if {one.measure, other.measure} == {"aspect", "height"}:
        return _sign(one) != _sign(other)
    return _KIN.get(one.measure, one.measure) == _KIN.get(other.measure, other.measure) and _sign(one) == _sign(other)


def _sign(each: Any) -> float:
    return math.copysign(1, each.mean)
