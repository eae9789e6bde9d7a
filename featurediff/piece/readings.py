"""What an item of the list is about, as measures of features: by these it is known again in the next round."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from featurediff.piece.records import Reading
from featurediff.records import Correction, Report
from featurediff.settings import Settings

Key = tuple[str, str]

PLACE = ("across", "down")
LENGTH_UNITS = ("mm", "%")
# Which measures a kind of statement puts right, the likeliest first. What is not named here is looked for in all of them.
_FAMILIES = {
    "move": (PLACE,),
    "gap": (PLACE,),
    "spacing": (PLACE,),
    "grows": (PLACE, ("width", "height")),
    "aspect": (PLACE, ("width", "height")),
    "scale": (("width", "height"), PLACE),
    "each": (("width", "height"),),
    "width": (("width",), PLACE),
    "height": (("height",), PLACE),
    "openness": (("openness", "height"),),
    "turn": (("tilt",), PLACE),
    "swing": (("tilt",),),
    "shape": (("shape",),),
    "lean": (("tilt",), PLACE),
    "bulge": (("bulge",),),
    "belly": (("bulge",),),
    "points": (("ends",),),
}
# A measure belongs to an item from this share of its limit on, when none of the item's measures is beyond its own.
_HALF = 0.5


def all_readings(report: Report, settings: Settings) -> dict[Key, Reading]:
    """Every measure of a report by feature and name. The limit is what the list is made by: tolerance, uncertainty and trust."""
    times, trust = settings.tolerances.certainty_times, report.sheet.trust_mm
    found = {}
    for each in report.deviations:
        if not (math.isfinite(each.value) and math.isfinite(each.sigma) and each.tolerance > 0):
            continue
        sigma = max(each.sigma, each.cautious)
        limit = max(each.tolerance, times * sigma)
        if each.measure in PLACE and math.isfinite(trust):
            limit = max(limit, trust)
        reading = Reading(each.feature, each.measure, float(each.value), float(sigma), float(limit), each.unit)
        found[reading.key] = reading
    return found


def about(correction: Correction, readings: Mapping[Key, Reading]) -> tuple[Reading, ...]:
    """The measures that a correction would put right; empty only when none of its features was measured."""
    own = [each for each in readings.values() if each.feature in correction.explains]
    for family in (*_FAMILIES.get(correction.kind, ()), {each.measure for each in own}):
        inside = [each for each in own if each.measure in family]
        for share in (1.0, _HALF):
            off = tuple(each for each in inside if abs(each.value) >= share * each.limit)
            if off:
                return off
    return tuple(own)


def in_units_of(readings: Iterable[Reading], unit: str, factor: float) -> tuple[Reading, ...]:
    """Readings in the sheet unit of another round: lengths times ``factor``, angles and ratios as they are."""
    return tuple(
        Reading(each.feature, each.measure, each.value * factor, each.sigma * factor, each.limit * factor, unit)
        if each.unit in LENGTH_UNITS and each.unit != unit
        else each
        for each in readings
    )


def joint(one: Reading, other: Reading) -> float:
    """Standard uncertainty of the change from one reading to the other."""
    return math.hypot(one.sigma, other.sigma)


def share_left(before: Iterable[Reading], after: Mapping[Key, Reading]) -> tuple[float, float] | None:
    """How much of an error is left (1: all, 0: nothing, below 0: gone too far), and that share's standard uncertainty.

    The least-squares factor between the two sets of readings, each weighted by its limit. Half of their variance is taken as each
    one's own (matching), half as common to all of one measure (sheet and line-up). None when nothing was measured again.
    """
    pairs = [(each, after[each.key]) for each in before if each.key in after]
    size = sum((old.value / old.limit) ** 2 for old, _ in pairs)
    if size <= 0:
        return None
    share = sum(old.value * new.value / old.limit**2 for old, new in pairs) / size
    own, common = 0.0, {}
    for old, new in pairs:
        part = old.value / old.limit**2 * joint(old, new)
        own += part**2
        common[old.measure] = common.get(old.measure, 0.0) + part
    variance = 0.5 * own + 0.5 * sum(part**2 for part in common.values())
    return share, math.sqrt(variance) / size


def longest(readings: Iterable[Reading]) -> float:
    """The largest error among readings that are lengths; across and down of one feature are taken together."""
    places: dict[str, float] = {}
    most = 0.0
    for each in readings:
        if each.unit not in LENGTH_UNITS:
            continue
        if each.measure in PLACE:
            places[each.feature] = math.hypot(places.get(each.feature, 0.0), each.value)
        else:
            most = max(most, abs(each.value))
    return max([most, *places.values()])
