"""How the page is laid on one sheet of A4: beside or below the drawing, in what size of type.

Browsers do not shrink text to fit a page. So the room that the texts take is worked out beforehand, for a wide typeface, and the
largest type is chosen that leaves the drawing its room. Lengths in mm, type in points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

# ISO 216 A4 less margins of 10 mm, and a little for printers that round.
WIDTH, HEIGHT = 190.0, 275.0
SMALL = 9.3
BESIDE, ACROSS = "beside", "across"
# From this width to height on, a drawing is laid across the page, with the list below it.
_WIDE = 1.15
_GUTTER = 6.0
# (type size, width of the drawing's column) to try, the first that fits is taken.
_COLUMNS = (
    (13.0, 112.0),
    (12.0, 112.0),
    (11.2, 112.0),
    (10.6, 108.0),
    (9.8, 108.0),
    (9.8, 98.0),
    (9.0, 98.0),
    (8.4, 92.0),
    (7.8, 84.0),
    (7.2, 76.0),
    (6.6, 66.0),
    (6.0, 60.0),
)
# (type size, least height of the drawing) to try.
_BANDS = (
    (13.0, 105.0),
    (12.0, 102.0),
    (11.2, 98.0),
    (10.6, 95.0),
    (9.8, 90.0),
    (9.0, 86.0),
    (8.4, 80.0),
    (7.8, 72.0),
    (7.2, 64.0),
    (6.6, 50.0),
    (6.0, 40.0),
)
# Mean width of a letter in type sizes, of a wide typeface; letters lost at the end of each line; mm to a point; line heights.
_LETTER, _LOST, _POINT, _LEADING = 0.53, 3.0, 25.4 / 72, 1.32
# What a line of the list takes besides its letters: tick box and gaps across, rules and gaps down.
_TICK, _RULES = 7.0, 4.2
_HEAD, _GAP = 12.0, 2.5
# The drawing's share of its column's width (the letters L and R stand beside it), and the least share of its full size.
_FIGURE, _SHRUNK = 0.88, 0.7


@dataclass(frozen=True)
class PrintForm:
    """``layout``: "beside" or "across"; ``points``: size of the type; ``column``: width of the drawing's column in mm."""

    layout: str
    points: float
    column: float


@dataclass(frozen=True)
class Texts:
    """What has to fit: (sentence, check, state) of each line of the list, the round's notes, and (label, text) of the facts."""

    lines: Sequence[tuple[str, str, str]]
    notes: Sequence[str]
    facts: Sequence[tuple[str, str]]
    cautions: Sequence[str]
    caption: str


def print_form(texts: Texts, width: float, height: float) -> PrintForm:
    """The form for a drawing shown ``width`` by ``height`` (any unit), with these texts."""
    if width > _WIDE * height:
        for points, least in _BANDS:
            if _below(texts, points) + least <= HEIGHT:
                break
        return PrintForm(ACROSS, points, WIDTH)
    for points, column in _COLUMNS:
        left = _beside(texts, points, column) + _SHRUNK * _FIGURE * column * height / width
        if max(left, _list(texts, points, WIDTH - _GUTTER - column) + _HEAD) <= HEIGHT:
            break
    return PrintForm(BESIDE, points, column)


def _below(texts: Texts, points: float) -> float:
    """All text of a drawing laid across: the list in two columns, facts and cautions side by side."""
    column = (WIDTH - _GUTTER) / 2
    rows = _in_two([_line(each, points, column) for each in texts.lines])
    notes = _notes(texts, points, WIDTH)
    facts = max(_facts(texts, points, 0.55 * (WIDTH - _GUTTER)), _cautions(texts, points, 0.45 * (WIDTH - _GUTTER)))
    return _HEAD + _height(texts.caption, _caption(points), WIDTH) + notes + rows + facts + 3 * _em(points) + 5 * _GAP


def _in_two(heights: Sequence[float]) -> float:
    """Height of things in two columns, in order, as evenly as that can be."""
    splits = range(len(heights) + 1)
    return min(max(_sum(heights[:k]), _sum(heights[k:])) for k in splits)


def _beside(texts: Texts, points: float, column: float) -> float:
    """What stands above and below the drawing in its column."""
    caption = _height(texts.caption, _caption(points), column)
    return _HEAD + caption + _facts(texts, points, column) + _cautions(texts, points, column) + 2 * _em(points) + 5 * _GAP


def _list(texts: Texts, points: float, column: float) -> float:
    return 1.5 * _em(points) + _notes(texts, points, column) + _sum(_line(each, points, column) for each in texts.lines)


def _line(each: tuple[str, str, str], points: float, column: float) -> float:
    sentence, check, state = each
    width = column - _TICK
    height = _RULES + _height("xxxx" + sentence, points * 1.08, width) + _height("Check by eye: " + check, points * 0.93, width)
    return height + (_height("xxxxxx" + state, points * 0.9, width) + 1.0 if state else 0.0)


def _notes(texts: Texts, points: float, column: float) -> float:
    return _sum(_height(each, points * 0.93, column - 7.0) + 0.6 for each in texts.notes) + (4.0 if texts.notes else 0.0)


def _facts(texts: Texts, points: float, column: float) -> float:
    label = 5.2 * _small(points) * _POINT + 2.0
    return 1.5 * _em(points) + _sum(_height(said, _small(points), column - label) + 0.6 for _, said in texts.facts)


def _cautions(texts: Texts, points: float, column: float) -> float:
    return 1.5 * _em(points) + _sum(_height(each, _small(points), column - 5.0) for each in texts.cautions)


def _height(text: str, points: float, width: float) -> float:
    room = max(width / (_LETTER * points * _POINT) - _LOST, 6.0)
    return math.ceil(len(text) / room) * _em(points)


def _small(points: float) -> float:
    """Type of facts and cautions, which are there for reference."""
    return min(points * 0.88, SMALL)


def _caption(points: float) -> float:
    return min(points * 0.82, SMALL)


def _em(points: float) -> float:
    """The height of one line."""
    return points * _POINT * _LEADING


def _sum(values) -> float:
    return float(sum(values))
