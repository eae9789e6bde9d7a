"""A check by eye for every item, read off the reference: a plumb line, a level, a gap to compare with, or a length to measure.

Checks lean only on features that are right, or that an earlier item has put right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.corrections.items import Item
from featurediff.corrections.words import Speech, number, round_amount, the
from featurediff.deviations import Compared

# Two points stand plumb or level when they differ by less than this share of the subject's size.
ALIGNED = 0.012
RATIOS = {1.0: "equals", 0.5: "is half", 2.0: "is twice", 1 / 3: "is a third of", 3.0: "is three times"}


@dataclass(frozen=True)
class Spot:
    """A point that can be found by eye: ``words`` name it, ``owner`` indexes the compared features."""

    owner: int
    at: np.ndarray
    words: str
    steady: float


def check(item: Item, compared: tuple[Compared, ...], steady: set[int], speech: Speech) -> str:
    """One sentence. ``steady``: indices of the features that may be leaned on."""
    movers = [k for k in _movers(item) if k not in steady] or list(_movers(item))
    anchors = [spot for k in sorted(steady - set(movers)) for spot in spots(k, compared[k], speech)]
    mine = [spot for k in movers for spot in spots(k, compared[k], speech)]
    if not mine:
        mine = [Spot(k, compared[k].centre, f"the middle of {the(speech.name(compared[k].feature))}", 0.3) for k in movers]
    for axis in _axes(item, speech):
        found = _aligned(mine, anchors, axis, speech)
        if found:
            return found
    for axis in _axes(item, speech):
        found = _compared_gap(mine, anchors, compared, steady, axis, speech) or _measured(mine, anchors, axis, speech)
        if found:
            return found
    return "Compare it with the reference at arm's length once it is changed."


def spots(index: int, each: Compared, speech: Speech) -> list[Spot]:
    """Points of a feature that an eye can find: its anchors, a point feature itself, the middle of a small closed form."""
    feature = each.feature
    name = the(speech.name(feature))
    weight = feature.importance * (0.5 if feature.estimated else 1.0) / (1.0 + float(np.min(each.sigma)))
    found = [Spot(index, each.reference[at], f"the {label} of {name}", weight) for label, at in feature.anchors.items()]
    if feature.kind == "point":
        found.append(Spot(index, each.reference[0], name, weight))
    elif not feature.slides and (feature.closed or feature.kind == "ellipse" or not feature.anchors):
        found.append(Spot(index, each.centre, f"the middle of {name}", 0.7 * weight))
    return found


def _movers(item: Item) -> tuple[int, ...]:
    return item.explains or (item.hypothesis.members if item.hypothesis is not None else ())


def _axes(item: Item, speech: Speech) -> list[str]:
    """Which relations show the change: a vertical move shows against a level, a horizontal one against a plumb line."""
    if item.move is not None and item.kind != "shape":
        across, down = abs(item.move[0]), abs(item.move[1])
        return ["level", "plumb"] if down >= 2 * across else ["plumb", "level"] if across >= 2 * down else ["level", "plumb"]
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
    lengths = []
    for k in sorted(steady):
        each = compared[k]
        if len(each.reference) > 2 and not each.feature.slides:
            lengths += [(float(np.ptp(each.reference[:, 0])), f"the width of {the(speech.name(each.feature))}", k)]
            lengths += [(float(np.ptp(each.reference[:, 1])), f"the height of {the(speech.name(each.feature))}", k)]
    best, best_score = None, 0.0
    for spot in mine:
        for other in anchors:
            gap = abs(float(other.at[along] - spot.at[along]))
            if gap < 0.04 * speech.frame.size or abs(other.at[1 - along] - spot.at[1 - along]) > 0.3 * speech.frame.size:
                continue
            for length, words, _ in lengths:
                if length < 0.05 * speech.frame.size:
                    continue
                for ratio, says in RATIOS.items():
                    off = abs(gap / (ratio * length) - 1)
                    if off < 0.03:
                        score = spot.steady * other.steady * (1 - off / 0.06) * (1.0 if ratio == 1 else 0.6)
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
    length = f"{number(round_amount(abs(gap)))} mm" if speech.unit == "mm" else speech.length(gap)
    return f"{_capital(spot.words)} belongs {length} {side} {other.words}."


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
