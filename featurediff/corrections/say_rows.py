"""Sentences about like things in a row: gaps, things that crowd, the row spread, all of one size."""

from __future__ import annotations

import re

import numpy as np

from featurediff.corrections.items import Item
from featurediff.corrections.words import Speech, join, number, round_amount, several, the
from featurediff.records import Row

# More amounts than this are told by the first and the last.
_AMOUNTS = 4


def named(row: Row, places, short: bool = False) -> str:
    """Some items of a row: "windows 2-4 of the first floor", "windows 2 and 3", "window 5"; ``short``: without the row's tail.

    Read off the names when they differ by a number only, and off the row's label for their plural; else the names are joined.
    """
    names = [row.names[place] for place in places]
    parts = [re.fullmatch(r"(.*?) (\d+)(.*)", name) for name in row.names]
    if not all(parts) or len({(part[1], part[3]) for part in parts}) > 1:
        told = [name if any(map(str.isdigit, name)) else the(name) for name in names]
        return join(told) if len(names) < 4 else f"{told[0]} to {told[-1]}"
    stem, tail = parts[0][1], parts[0][3]
    if len(names) == 1:
        return names[0].removesuffix(tail) if short and tail else names[0]
    head = row.label.removesuffix(tail) if tail and row.label.endswith(tail) else row.label if not tail else f"{stem}s"
    numbers = [parts[place][2] for place in places]
    steps = np.diff([int(each) for each in numbers])
    told = f"{numbers[0]}-{numbers[-1]}" if len(numbers) > 2 and (steps == 1).all() else join(numbers)
    return f"{head} {told}" + ("" if short else tail)


def _ways(item: Item, speech: Speech) -> tuple[str, str]:
    """What a positive and a negative displacement along the row is called."""
    across = abs(item.hypothesis.axis @ speech.frame.right) > 0.7
    return ("right", "left") if across else ("down", "up")


def _say_run(item: Item, compared, speech: Speech) -> str:
    """Some neighbours moved alike: a gap too wide or too narrow when they reach an end of the row."""
    row, places, line = (item.hypothesis.extra[key] for key in ("row", "places", "line"))
    forward, backward = _ways(item, speech)
    way = backward if item.amount > 0 else forward
    amount = speech.length(item.amount)
    before = [place for place in line.places if place < places[0]]
    after = [place for place in line.places if place > places[-1]]
    if before and after:
        return f"move {named(row, places)} together {amount} {way}"
    ends = (before[-1], places[0]) if before else (places[-1], after[0])
    follow = places[1:] if before else places[:-1]
    wide = (item.amount > 0) == bool(before)
    beyond = item.hypothesis.extra.get("beyond")
    verb = "moves" if len(follow) == 1 and not beyond else "move"
    between = named(row, ends)
    # Two figures side by side are misread.
    by = "by " if between[-1].isdigit() else ""
    text = f"{'narrow' if wide else 'widen'} the gap between {between} {by}{amount}"
    rest = " and what lies beyond" if beyond else ""
    return f"{text}; {named(row, follow, short=True)}{rest} {verb} {way} with it"


def _say_ramp(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    row, places, offsets = (h.extra[key] for key in ("row", "places", "offsets"))
    forward, backward = _ways(item, speech)
    way = backward if item.amount > 0 else forward
    # Rising offsets leave the gap before the first thing too wide when they are positive; falling ones, the gap after the last.
    crowd = (item.amount > 0) != (offsets[-1] > offsets[0])
    amounts = _amounts(offsets * item.amount, speech)
    if crowd:
        return f"{named(row, places)} crowd: spread them {way} by {amounts}"
    return f"{named(row, places)} stand too far apart: bring them {way} by {amounts}"


def _amounts(values: np.ndarray, speech: Speech) -> str:
    """ "1, 2 and 3 mm"."""
    told = [number(max(round_amount(abs(float(value))), 0.5)) for value in values]
    unit = speech.length(1.0).split(" ", 1)[1]
    if len(told) > _AMOUNTS:
        return f"{told[0]} to {told[-1]} {unit}"
    return f"{join(told)} {unit}"


def _say_spread(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    what = the(h.extra["row"].label)
    amount = speech.length(item.amount)
    if item.amount > 0:
        return f"bring {what} closer together: the outermost in {amount} each, the others in proportion"
    return f"spread {what}: the outermost out {amount} each, the others in proportion"


def _say_each(item: Item, compared, speech: Speech) -> str:
    h = item.hypothesis
    big, amount = item.amount > 0, speech.length(item.amount)
    # A row that is one thing by its name has its things named: each of them is changed, not the row.
    what = the(h.label) if several(h.label) else named(h.extra["row"], h.extra["places"])
    by = "by " if what[-1].isdigit() else ""
    if h.kind == "each width":
        return f"{'narrow' if big else 'widen'} {what} {by}{amount} each"
    return f"make {what} {by}{amount} {'less tall' if big else 'taller'} each"


SAY = {"run": _say_run, "ramp": _say_ramp, "spread": _say_spread, "each width": _say_each, "each height": _say_each}
