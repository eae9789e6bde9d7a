"""Checks by eye and arrows for statements about symmetric forms and the ends of ellipses."""

from __future__ import annotations

import math

import numpy as np

from featurediff.corrections.items import Item
from featurediff.corrections.words import Speech, number, round_amount, the
from featurediff.deviations import Compared, ellipse_axes

KINDS = ("lean", "bulge", "belly", "level", "points")
# A top this near to the plumb line through its foot, as a share of the subject's size, stands on it.
_ON_PLUMB = 0.006


def check(item: Item, compared: tuple[Compared, ...], speech: Speech) -> str:
    """One sentence: how it belongs, read off the reference."""
    h = item.hypothesis
    if item.kind == "lean":
        aside = float((h.extra["top"] - h.extra["foot"])[0])
        if abs(aside) < _ON_PLUMB * speech.frame.size:
            return f"The middle of the top of {the(h.label)} stands plumb over the middle of its foot."
        side = "right" if aside > 0 else "left"
        return f"The middle of its top belongs {_mm(aside, speech)} further {side} than the middle of its foot."
    if item.kind == "points":
        return "At its ends the line turns round without a corner; the ends are as round as the rest is flat."
    if item.kind == "level":
        low, _ = _ends(item, compared, speech)
        return f"Once right, it lies {_mm(low, speech)} above the lower end of that side."
    wide = _middle_width(item, compared, speech)
    if wide is None:
        return "Hold a straight edge from end to end of that side and compare what bulges beyond it with the reference."
    return f"Half way up, {the(h.extra['form'].label)} measures {_mm(wide, speech)} from side to side."


def arrows(item: Item, compared: tuple[Compared, ...], speech_right: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """(start on the drawn line, move to make) for pictures of the list. ``speech_right`` (2,): the subject's own right."""
    h = item.hypothesis
    if item.kind == "lean":
        lean = math.radians(item.amount) * h.extent
        return [(h.extra["top"] + lean * speech_right, -lean * speech_right)]
    if item.kind == "points":
        each = compared[h.members[0]]
        long = ellipse_axes(each.reference)[0]
        ends = [int((each.reference @ way).argmax()) for way in (long, -long)]
        return [(each.reference[k] + each.off[k], 0.0 * long) for k in ends]
    found = []
    for k in h.extra["sides"]:
        each = compared[k]
        at = _spot(item, each)
        sign = -1.0 if item.kind == "belly" and each.feature.name in h.extra["form"].left else 1.0
        found.append((each.reference[at] + each.off[at], -sign * item.amount * h.axis))
    return found


def _spot(item: Item, each: Compared) -> int:
    return each.feature.anchors.get(item.hypothesis.extra["level"], len(each.reference) // 2)


def _ends(item: Item, compared: tuple[Compared, ...], speech: Speech) -> tuple[float, float]:
    """How far a level lies above the lower and below the upper end of its side."""
    each = compared[item.hypothesis.extra["sides"][0]]
    level = each.reference @ speech.frame.down
    at = float(level[_spot(item, each)])
    return float(level.max()) - at, at - float(level.min())


def _middle_width(item: Item, compared: tuple[Compared, ...], speech: Speech) -> float | None:
    """The form's width half way up its sides, or None when one of them was not found."""
    form = item.hypothesis.extra["form"]
    places = []
    for names in (form.left, form.right):
        found = [each for each in compared if each.feature.name in names]
        if not found:
            return None
        points = found[0].reference
        places.append((points @ speech.frame.right, points @ speech.frame.down))
    top, low = (f(g(y) for _, y in places) for f, g in ((max, np.min), (min, np.max)))
    if low <= top:
        return None
    middle = 0.5 * (top + low)
    left, right = (float(x[np.abs(y - middle).argmin()]) for x, y in places)
    return right - left


def _mm(value: float, speech: Speech) -> str:
    if speech.unit != "mm":
        return speech.length(value)
    return f"{number(round_amount(abs(float(value))))} mm"
