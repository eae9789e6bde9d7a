"""The chart of habits, and of what a class shares: a row for each, a dot for each drawing, the limits as a band.

Drawn with Pillow, like all pictures of the reports. Readable in grey: what counts is filled, the rest is open.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

from PIL import Image, ImageDraw, ImageFont

from featurediff.habits import words
from featurediff.habits.records import DEGREES, PERCENT, Habits, Shared
from featurediff.report.look import INK, PAPER, wrapped

WIDTH = 640  # px; narrow enough to be read on a phone
_MARGIN, _ROW, _DOT, _NUMBERED = 28, 50, 7, 10
# Dots that would hide each other stand above each other, at most so many high.
_HIGH = 12
_BAND, _SOFT = (225, 225, 225), (70, 70, 74)
_FINER = 2


@dataclass(frozen=True)
class Row:
    """One row: its sentence, the ways left and right of zero, dots (value, filled, number or ""), limit, mean and error."""

    text: str
    less: str
    more: str
    dots: tuple[tuple[float, bool, str], ...]
    limit: float
    unit: str
    mean: float
    error: float | None


def habits_chart(found: Sequence[Habits]) -> bytes:
    """The chart of all subjects with habits, as PNG."""
    blocks = []
    for each in found:
        rows = [_habit_row(one, each) for one in each.told]
        text = words.note(each) if rows else words.told((each,))
        count = f"{each.drawings} drawing" + ("" if each.drawings == 1 else "s")
        blocks.append((f"{each.subject}: " + (f"habits in {count}" if each.enough else count), rows, text))
    note = "Each dot is one drawing; filled: off by more than its limit, which the grey band shows. The tick is the mean."
    return chart(blocks, note)


def _habit_row(one, each: Habits) -> Row:
    sign = 1 if one.mean > 0 else -1
    dots = tuple((value, sign * value > one.limit, "") for value in one.values)
    head = f"{words.phrase(one.label, one.measure, one.mean > 0)}: {words.amount(one.mean, one.unit, each.size)}, "
    head += f"spread {words.amount(one.spread, one.unit)}"
    return Row(head[0].upper() + head[1:], *_ways(one), dots, one.limit, one.unit, one.mean, one.error)


def shared_chart(title: str, found: Sequence[Shared], otherwise: str) -> bytes:
    """The chart of a class as PNG: sheets by number, no names."""
    rows = [
        Row(
            words.shared_sentence(each),
            *_ways(each),
            tuple((value, counts, str(number)) for number, value, counts in each.values),
            each.limit,
            each.unit,
            each.mean,
            None,
        )
        for each in found
    ]
    note = "Each dot is one sheet; filled: off by more than its limit, which the grey band shows."
    return chart([(title, rows, "" if rows else otherwise)], note if rows else "")


def _ways(one) -> tuple[str, str]:
    label = one.label
    less, more = (words.phrase(label, one.measure, positive) for positive in (False, True))
    cut = len(words.called(label)) + 1
    return less[cut:], more[cut:]


def chart(blocks: Sequence[tuple[str, Sequence[Row], str]], note: str) -> bytes:
    """Blocks of (title, rows, text below) as one PNG."""
    lines = _Lines()
    for title, rows, text in blocks:
        lines.text(title, 22)
        for row in rows:
            lines.row(row)
        if text:
            lines.text(text, 15)
        lines.space(16)
    if note:
        lines.text(note, 15)
    return lines.png()


class _Lines:
    """Collects what stands below each other, then draws it."""

    def __init__(self) -> None:
        self._parts: list[tuple[int, object]] = []

    def text(self, text: str, size: int) -> None:
        font = ImageFont.load_default(size)
        for line in text.split("\n"):
            for each in wrapped(line, font, WIDTH - 2 * _MARGIN):
                self._parts.append((round(size * 1.4), lambda pen, y, each=each: _write(pen, (_MARGIN, y), each, size)))

    def row(self, row: Row) -> None:
        size = 18
        self._parts.append((12, lambda pen, y: None))
        self.text(row.text, size)
        dots = _stacked(row)
        tall = round(_ROW + _step(row) * (1 + max(level for *_, level in dots)))
        self._parts.append((tall, lambda pen, y: _draw_row(pen, y + tall - _ROW, row, dots)))

    def space(self, height: int) -> None:
        self._parts.append((height, lambda pen, y: None))

    def png(self) -> bytes:
        height = sum(height for height, _ in self._parts) + 2 * _MARGIN
        page = Image.new("RGB", (WIDTH * _FINER, height * _FINER), PAPER)
        pen, y = ImageDraw.Draw(page), _MARGIN
        for tall, draw in self._parts:
            draw(pen, y)
            y += tall
        file = io.BytesIO()
        page.save(file, "PNG", optimize=True)
        return file.getvalue()


def _write(pen, at, text: str, size: int, anchor: str = "la", fill=INK) -> None:
    font = ImageFont.load_default(size * _FINER)
    pen.text((at[0] * _FINER, at[1] * _FINER), text, font=font, fill=fill, anchor=anchor)


def _step(row: Row) -> float:
    """How far apart stacked dots lie."""
    return 2.1 * (_NUMBERED if any(number for _, _, number in row.dots) else _DOT)


def _px(row: Row, value: float) -> float:
    """Where a value stands across the page; zero is in the middle."""
    reach = 1.1 * max(1.5 * row.limit, *(abs(each) for each, _, _ in row.dots))
    return WIDTH / 2 + value / reach * (WIDTH / 2 - _MARGIN)


def _stacked(row: Row) -> list[tuple[float, bool, str, int]]:
    """(place across, filled, number, level) of the dots: each as low as it can stand without hiding another."""
    last: list[float] = []
    placed = []
    for value, filled, number in sorted(row.dots):
        x = _px(row, value)
        level = next((k for k, other in enumerate(last) if x - other >= _step(row)), len(last))
        level = min(level, _HIGH - 1)
        last[level : level + 1] = [x]
        placed.append((x, filled, number, level))
    return placed


def _draw_row(pen: ImageDraw.ImageDraw, y: int, row: Row, dots: Sequence[tuple[float, bool, str, int]]) -> None:
    """The axis with its band, the dots standing on it, zero, limits and the mean."""
    left, right, step = _MARGIN, WIDTH - _MARGIN, _step(row)
    top = y - step * (1 + max(level for *_, level in dots))

    def box(a, b, c, d, **how) -> None:
        pen.rectangle((a * _FINER, b * _FINER, c * _FINER, d * _FINER), **how)

    box(_px(row, -row.limit), top, _px(row, row.limit), y, fill=_BAND)
    box(left, y - 0.5, right, y + 0.5, fill=INK)
    box(WIDTH / 2 - 0.5, top, WIDTH / 2 + 0.5, y + 5, fill=INK)
    if row.error is not None:
        box(_px(row, row.mean - row.error), y + 4, _px(row, row.mean + row.error), y + 6, fill=INK)
        box(_px(row, row.mean) - 1.5, y - 4, _px(row, row.mean) + 1.5, y + 10, fill=INK)
    for x, filled, number, level in dots:
        _dot(pen, x, y - (level + 0.55) * step, 0.47 * step, filled, number)
    for anchor, x, text in (("la", left, f"< {row.less}"), ("ra", right, f"{row.more} >")):
        _write(pen, (x, y + 12), text, 14, anchor)
    limit = words.amount(row.limit, row.unit) if row.unit in (PERCENT, DEGREES) else f"{row.limit:.2f}"
    _write(pen, (WIDTH / 2, y + 28), f"limit {limit}", 13, "ma", _SOFT)


def _dot(pen, x: float, y: float, radius: float, filled: bool, number: str) -> None:
    box = tuple(value * _FINER for value in (x - radius, y - radius, x + radius, y + radius))
    pen.ellipse(box, fill=INK if filled else PAPER, outline=PAPER if filled else INK, width=_FINER)
    if number:
        _write(pen, (x, y), number, 11, "mm", PAPER if filled else INK)
