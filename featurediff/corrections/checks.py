"""A check by eye for every item, read off the reference: a plumb line, a level, a gap to compare with, or a length to measure.

Checks lean only on features that are right, or that an earlier item has put right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.corrections import check_forms, say_meetings
from featurediff.corrections.items import Item
from featurediff.corrections.words import Speech, anchor_at, corner_name, join, plain_end, the
from featurediff.deviations import Compared
from featurediff.records import Feature

# Two points stand plumb or level when they differ by less than this share of the subject's size.
ALIGNED = 0.012
# Of an open line shorter than this share of the subject's size the middle can be found.
_SHORT = 0.2
RATIOS = {1.0: "equals", 0.5: "is half", 2.0: "is twice"}


@dataclass(frozen=True)
class Spot:
    """A point that can be found by eye: ``words`` name it, ``owner`` indexes the compared features."""

    owner: int
    at: np.ndarray
    words: str
    steady: float


def check(item: Item, compared: tuple[Compared, ...], steady: set[int], speech: Speech) -> str:
    """One sentence. ``steady``: indices of the features that may be leaned on."""
    if item.kind in ("grows", "aspect"):
        return _whole_sizes(compared, speech, item.kind)
    if item.kind in check_forms.KINDS:
        return check_forms.check(item, compared, speech)
    movers = [k for k in _movers(item) if k not in steady] or list(_movers(item))
    anchors = [spot for k in sorted(steady - set(movers)) for spot in spots(k, compared[k], speech)]
    # What lies within the thing itself moves with it in the eye of the artist.
    anchors = [spot for spot in anchors if not any(_holds(compared[k], spot.at) for k in movers)]
    mine = [spot for k in movers for spot in spots(k, compared[k], speech)]
    if item.kind == "corner":
        mine = [Spot(movers[0], item.at, the(corner_name(item.hypothesis.label)), 1.0)]
    if item.kind in ("turn", "swing"):
        found = _slope(item, mine, compared, speech)
        if found:
            return found
    if item.kind in ("eye level", "aim", "closing"):
        k = say_meetings.reach(item, compared)[0]
        return _levels(_line_ends(k, compared[k], speech), speech)
    if item.kind in ("each width", "each height"):
        return _sizes_of(item, compared, speech)
    if item.kind in ("run", "ramp", "spread"):
        return _row_gaps(item, compared, speech)
    if item.kind in ("width", "height", "scale", "each", "openness"):
        return _own_size(item, compared, steady, speech)
    if not mine:
        mine = [Spot(k, compared[k].centre, f"the middle of {speech.called(compared[k].feature)}", 0.3) for k in movers]
    for axis in _axes(item, speech):
        found = _aligned(mine, anchors, axis, speech)
        if found:
            return found
    for axis in _axes(item, speech):
        found = _compared_gap(mine, anchors, compared, steady, axis, speech) or _measured(mine, anchors, axis, speech)
        if found:
            return found
    return "Compare it with the reference at arm's length once it is changed."


# ---------------------------------------------------------------- checks within the thing itself


def _whole_sizes(compared: tuple[Compared, ...], speech: Speech, kind: str) -> str:
    """Two lengths far apart, as they should measure."""
    points = np.concatenate([each.reference for each in compared])
    owner = np.concatenate([np.full(len(each.reference), k) for k, each in enumerate(compared)])
    height = points @ speech.frame.down
    if kind == "aspect":
        across = points @ speech.frame.right
        return f"All that is drawn measures {_mm(np.ptp(across), speech)} across and {_mm(np.ptp(height), speech)} in height."
    low, high = height.min(), height.max()
    told = []
    for start, stop in ((low, low + 0.35 * (high - low)), (high - 0.35 * (high - low), high)):
        band = [k for k in range(len(compared)) if start <= compared[k].centre @ speech.frame.down <= stop]
        pairs = [(abs(float((compared[a].centre - compared[b].centre) @ speech.frame.right)), a, b) for a in band for b in band]
        widest = max(pairs, default=(0.0, 0, 0))
        length, k = max((float(np.ptp(points[owner == k] @ speech.frame.right)), k) for k in band) if band else (0.0, 0)
        if max(length, widest[0]) < 0.15 * speech.frame.size:
            return ""
        if length >= widest[0]:
            told.append(f"{speech.called(compared[k].feature)} {_mm(length, speech)} across")
        else:
            names = [speech.called(compared[k].feature) for k in sorted(widest[1:])]
            told.append(f"from the middle of {names[0]} to that of {names[1]} {_mm(widest[0], speech)}")
    return f"Once right: {told[0]}, and {told[1]}."


def _slope(item: Item, mine: list[Spot], compared: tuple[Compared, ...], speech: Speech) -> str:
    """How the ends of a turned thing lie to each other."""
    members = item.hypothesis.members
    if len(members) == 1 and not compared[members[0]].feature.closed:
        each = compared[members[0]]
        first, last = each.reference[0], each.reference[-1]
        wide = abs(last[0] - first[0]) >= abs(last[1] - first[1])
        names = [anchor_at(each.feature, k) for k in (0, len(each.reference) - 1)]
        if not all(names):
            by_place = ("left end", "right end") if wide else ("upper end", "lower end")
            names = list(by_place if (first < last)[0 if wide else 1] else by_place[::-1])
        ends = [Spot(members[0], at, f"its {name}", 1.0) for at, name in zip((first, last), names, strict=True)]
    else:
        pairs = [(float(np.hypot(*(a.at - b.at))), i, j) for i, a in enumerate(mine) for j, b in enumerate(mine) if i < j]
        if not pairs:
            return ""
        _, i, j = max(pairs)
        ends = [mine[i], mine[j]]
    return _levels(ends, speech)


def _line_ends(index: int, each: Compared, speech: Speech) -> list[Spot]:
    """Both ends of a line, named in full."""
    first, last = (plain_end(each, end) for end in (0, len(each.reference) - 1))
    name = speech.called(each.feature)
    ends = [Spot(index, each.reference[0], f"the {first} of {name}", 1.0), Spot(index, each.reference[-1], f"its {last}", 1.0)]
    # The full name comes first in the sentence, which starts with the higher end, or the right one.
    wide, tall = np.abs(each.reference[-1] - each.reference[0])
    lower_first = each.reference[0, 1] > each.reference[-1, 1] if wide >= tall else each.reference[0, 0] < each.reference[-1, 0]
    if lower_first:
        ends = [
            Spot(index, each.reference[0], f"its {first}", 1.0),
            Spot(index, each.reference[-1], f"the {last} of {name}", 1.0),
        ]
    return ends


def _row_gaps(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    """The gaps of a row, edge to edge, as they should measure where the things move."""
    h = item.hypothesis
    line, first, count = h.extra["line"], h.extra["first"], len(h.extra["items"])
    edges = [np.concatenate([compared[k].reference for k in members]) @ line.way for members in line.items]
    pairs = list(range(max(first - 1, 0), min(first + count, len(edges) - 1)))
    if h.kind == "run":
        pairs = [k for k in pairs if k in (first - 1, first + count - 1)]
    told = [_mm(edges[k + 1].min() - edges[k].max(), speech) for k in pairs]
    if len(pairs) == 1:
        return f"Once right, the gap measures {told[0]}."
    if len(set(told)) == 1:
        return f"Once right, each of these gaps measures {told[0]}."
    return "Once right, the gaps there measure, in order, " + join(told) + "."


def _levels(ends: list[Spot], speech: Speech) -> str:
    """How two ends lie to each other."""
    gap = ends[1].at - ends[0].at
    if abs(gap[0]) >= abs(gap[1]):
        if abs(gap[1]) < 0.5 * ALIGNED * speech.frame.size:
            return f"{_capital(ends[0].words)} and {ends[1].words} belong level."
        upper, lower = (ends[0], ends[1]) if gap[1] > 0 else (ends[1], ends[0])
        return f"{_capital(upper.words)} belongs {_mm(gap[1], speech)} higher than {lower.words}."
    if abs(gap[0]) < 0.5 * ALIGNED * speech.frame.size:
        return f"{_capital(ends[0].words)} and {ends[1].words} belong on one plumb line."
    right, left = (ends[0], ends[1]) if gap[0] < 0 else (ends[1], ends[0])
    return f"{_capital(right.words)} belongs {_mm(gap[0], speech)} further right than {left.words}."


def _sizes_of(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    """The right size of each of several like things."""
    axis = item.hypothesis.axis
    sizes = [float(np.ptp(np.concatenate([compared[k].reference for k in one]) @ axis)) for one in item.hypothesis.extra["items"]]
    low, high = _mm(min(sizes), speech), _mm(max(sizes), speech)
    way = "across" if item.kind == "each width" else "in height"
    return f"Once right, each measures {low} {way}." if low == high else f"Once right, they measure {low} to {high} {way}."


def _own_size(item: Item, compared: tuple[Compared, ...], steady: set[int], speech: Speech) -> str:
    """The right size, as a share of a length that is right, of its own other side, or in mm."""
    members = item.hypothesis.extra.get("left") or item.hypothesis.extra.get("block") or item.hypothesis.members
    if len(members) == 1 and compared[members[0]].feature.kind == "segment":
        ends = compared[members[0]].reference[[0, -1]]
        return f"Once right, it measures {_mm(np.hypot(*(ends[1] - ends[0])), speech)} from end to end."
    points = np.concatenate([compared[k].reference for k in members])
    sizes = {"width": float(np.ptp(points @ speech.frame.right)), "height": float(np.ptp(points @ speech.frame.down))}
    kind = "width" if item.kind in ("width", "scale", "each") else "height"
    if item.kind == "openness":
        kind = min(sizes, key=sizes.get)
    length, other = sizes[kind], "height" if kind == "width" else "width"
    best = None
    for size, words, _ in _lengths(compared, steady - set(members), speech):
        for ratio, says in RATIOS.items():
            off = abs(length / (ratio * size) - 1) if size > 0.05 * speech.frame.size else 1.0
            if off < 0.03 and (best is None or off + (ratio != 1) * 0.01 < best[0]):
                best = (off + (ratio != 1) * 0.01, f"Its {kind} {says} {words}.")
    if best is not None:
        return best[1].replace("Its", "The left one's") if item.kind == "each" else best[1]
    whose = "the left one" if item.kind == "each" else "it"
    ways = {"width": "across", "height": "in height"}
    return f"Once right, {whose} measures {_mm(length, speech)} {ways[kind]} by {_mm(sizes[other], speech)} {ways[other]}."


def _lengths(compared: tuple[Compared, ...], steady: set[int], speech: Speech) -> list[tuple[float, str, int]]:
    """Widths and heights that are right and have two ends to measure between."""
    found = []
    cornered = {name for junction in speech.subject.junctions for name, _ in junction.ends}
    for k in sorted(steady):
        each = compared[k]
        if len(each.reference) > 2 and ends_seen(each.feature, cornered):
            name = speech.called(each.feature)
            found.append((float(np.ptp(each.reference @ speech.frame.right)), f"the width of {name}", k))
            found.append((float(np.ptp(each.reference @ speech.frame.down)), f"the height of {name}", k))
    return found


def ends_seen(feature: Feature, cornered: set[str] = frozenset()) -> bool:
    """Whether the extent of a feature can be seen on paper, so that an eye can measure it.

    It can of a closed outline, and of a line whose ends are corners or named places. Where a piece of a longer line ends only its
    detector knows. ``cornered``: names of the features that end in a junction.
    """
    if feature.closed or feature.kind == "ellipse":
        return True
    if feature.slides or len(feature.points) < 2:
        return False
    named = {at % len(feature.points) for at in feature.anchors.values()}
    return feature.kind == "segment" or feature.name in cornered or named >= {0, len(feature.points) - 1}


def _mm(value: float, speech: Speech) -> str:
    return speech.length(float(value))


# ---------------------------------------------------------------- checks against what is right


def _holds(each: Compared, at: np.ndarray) -> bool:
    low, high = each.reference.min(0), each.reference.max(0)
    return each.feature.closed and bool(((at > low) & (at < high)).all())


def spots(index: int, each: Compared, speech: Speech) -> list[Spot]:
    """Points of a feature that an eye can find: its anchors, a point feature itself, the middle of a closed or a small form."""
    feature = each.feature
    name = speech.called(feature)
    weight = feature.importance * (0.5 if feature.estimated else 1.0) / (1.0 + float(np.min(each.sigma)))
    found = [Spot(index, each.reference[at], f"the {label} of {name}", weight) for label, at in feature.anchors.items()]
    if feature.kind == "point":
        found.append(Spot(index, each.reference[0], name, weight))
    elif feature.kind == "segment":
        # Its corners can be found, its middle can't.
        if not feature.slides:
            ends = (0, len(each.reference) - 1)
            found += [Spot(index, each.reference[end], f"the {plain_end(each, end)} of {name}", 0.8 * weight) for end in ends]
    elif not feature.slides and (
        feature.closed or feature.kind == "ellipse" or (not feature.anchors and _small(each.reference, speech))
    ):
        found.append(Spot(index, each.centre, f"the middle of {name}", 0.7 * weight))
    return found


def _small(points: np.ndarray, speech: Speech) -> bool:
    """Whether the middle of an open line is a place: it may end anywhere, so that only a short one's middle is."""
    return float(np.ptp(points, axis=0).max()) < _SHORT * speech.frame.size


def _movers(item: Item) -> tuple[int, ...]:
    return item.explains or (item.hypothesis.members if item.hypothesis is not None else ())


def _axes(item: Item, speech: Speech) -> list[str]:
    """Which relations show the change: a vertical move shows against a level, a horizontal one against a plumb line."""
    if item.move is not None and item.kind != "shape":
        across, down = abs(item.move[0]), abs(item.move[1])
        return ["level"] if down >= 2 * across else ["plumb"] if across >= 2 * down else ["level", "plumb"]
    if item.kind in ("spacing", "width", "aspect", "each"):
        return ["plumb"]
    if item.kind in ("height", "turn", "swing", "openness"):
        return ["level", "plumb"]
    return ["plumb", "level"]


def _aligned(mine: list[Spot], anchors: list[Spot], axis: str, speech: Speech) -> str:
    across, along = (0, 1) if axis == "plumb" else (1, 0)
    limit = ALIGNED * speech.frame.size
    best, best_score = None, 0.0
    for spot in mine:
        for other in anchors:
            gap = other.at - spot.at
            far = abs(gap[along])
            if abs(gap[across]) > limit or not 0.03 * speech.frame.size < far < 0.9 * speech.frame.size:
                continue
            score = spot.steady * other.steady * (1.0 - 0.5 * abs(gap[across]) / limit) * (1.2 - far / speech.frame.size)
            if score > best_score:
                best, best_score = (spot, other, gap), score
    if best is None:
        return ""
    spot, other, gap = best
    if axis == "level":
        return f"{_capital(spot.words)} belongs level with {other.words}."
    return f"{_capital(spot.words)} belongs straight {'above' if gap[1] > 0 else 'below'} {other.words}."


def _compared_gap(mine, anchors, compared, steady: set[int], axis: str, speech: Speech) -> str:
    along = 1 if axis == "level" else 0
    lengths = _lengths(compared, steady, speech)
    best, best_score = None, 0.0
    for spot in mine:
        for other in anchors:
            gap = abs(float(other.at[along] - spot.at[along]))
            if gap < 0.04 * speech.frame.size or abs(other.at[1 - along] - spot.at[1 - along]) > 0.12 * speech.frame.size:
                continue
            for length, words, _ in lengths:
                if length < 0.05 * speech.frame.size:
                    continue
                for ratio, says in RATIOS.items():
                    off = abs(gap / (ratio * length) - 1)
                    if off < 0.03:
                        score = spot.steady * other.steady * (1 - off / 0.06) * (1.0 if ratio == 1 else 0.6)
                        score /= 1.0 + gap / (0.15 * speech.frame.size)
                        if score > best_score:
                            best, best_score = (spot, other, says, words), score
    if best is None:
        return ""
    spot, other, says, words = best
    kind = "height" if along else "distance across"
    return f"The {kind} between {spot.words} and {other.words} {says} {words}."


def _measured(mine: list[Spot], anchors: list[Spot], axis: str, speech: Speech) -> str:
    along = 1 if axis == "level" else 0
    best, best_score = None, 0.0
    for spot in mine:
        for other in anchors:
            gap = float(spot.at[along] - other.at[along])
            score = spot.steady * other.steady / (1.0 + float(np.hypot(*(spot.at - other.at))) / speech.frame.size)
            if abs(gap) >= 2 * ALIGNED * speech.frame.size and score > best_score:
                best, best_score = (spot, other, gap), score
    if best is None:
        return ""
    spot, other, gap = best
    side = ("below" if gap > 0 else "above") if along else ("to the right of" if gap > 0 else "to the left of")
    return f"{_capital(spot.words)} belongs {_mm(gap, speech)} {side} {other.words}."


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
