"""The plan drawn: the sheet with its margins, each length where it is measured, plumb relations dashed.

Marks stand at the sheet's edges and at the spots themselves; no line runs across the sheet, nothing of the reference is shown.
"""

from __future__ import annotations

import io
import itertools
import math
from collections.abc import Sequence

from PIL import Image, ImageDraw, ImageFont

from featurediff.planning import words
from featurediff.planning.records import FROM_LEFT, FROM_TOP, Length, Plan, Relation
from featurediff.report.look import ACCENT, EDGE, INK, PAPER, wrapped

# Px, before drawing at twice the size.
_SHEET, _LEFT, _TOP, _MARGIN = 620, 190, 84, 24
_FINER = 2
_TEXT, _SMALL = 17, 14
_SOFT = (90, 90, 94)
_TICK_MM, _DASH_MM = 6.0, 7.0
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


def draw(plan: Plan) -> bytes:
    """The picture as PNG."""
    sheet_mm = plan.placement.sheet_mm
    scale = _SHEET / max(sheet_mm)
    size = (sheet_mm[0] * scale, sheet_mm[1] * scale)
    width = round(max(_LEFT + size[0] + _MARGIN, 620))
    texts = _texts(plan, width - 2 * _MARGIN)
    top = _TOP + _title_height(plan, width)
    height = round(top + size[1] + 20 + sum(tall for *_, tall in texts) + _MARGIN)
    page = Image.new("RGB", (width * _FINER, height * _FINER), PAPER)
    pen = _Pen(ImageDraw.Draw(page), scale, (_LEFT, top))
    y = _MARGIN
    for line in _wrapped(words.title(plan), 22, width - 2 * _MARGIN):
        pen.write((_MARGIN, y), line, 22)
        y += 28
    _sheet(pen, plan)
    for each in plan.relations:
        _relation(pen, each)
    _from_top(pen, [each for each in plan.lengths if each.how == FROM_TOP])
    _from_left(pen, [each for each in plan.lengths if each.how == FROM_LEFT])
    taken = _between(pen, [each for each in plan.lengths if each.how not in (FROM_TOP, FROM_LEFT)])
    for each, letter in zip(plan.relations, _LETTERS, strict=False):
        _letter(pen, each, letter, taken)
    y = top + size[1] + 20
    for text, font, colour, tall in texts:
        pen.write((_MARGIN, y), text, font, fill=colour)
        y += tall
    file = io.BytesIO()
    page.save(file, "PNG", optimize=True)
    return file.getvalue()


class _Pen:
    """Draws in px of the page, or at points of the sheet given in mm."""

    def __init__(self, draw: ImageDraw.ImageDraw, scale: float, origin: tuple[float, float]):
        self._draw, self.scale, self.origin = draw, scale, origin

    def at(self, x: float, y: float) -> tuple[float, float]:
        """mm to px."""
        return self.origin[0] + x * self.scale, self.origin[1] + y * self.scale

    def line(self, a, b, width: float = 1.5, fill=INK, dash: float = 0.0) -> None:
        """A line from px to px; ``dash``: the length of its dashes and gaps."""
        length = math.dist(a, b)
        pieces = [(0.0, 1.0)]
        if dash and length > dash:
            count = max(round(length / dash / 2), 1)
            pieces = [(k / count, (k + 0.5) / count) for k in range(count)]
        for low, high in pieces:
            ends = [tuple((p + (q - p) * share) * _FINER for p, q in zip(a, b, strict=True)) for share in (low, high)]
            self._draw.line((*ends[0], *ends[1]), fill=fill, width=max(round(width * _FINER), 1))

    def dot(self, a, radius: float, fill, outline=INK) -> None:
        """A filled circle."""
        x, y = a
        box = tuple(v * _FINER for v in (x - radius, y - radius, x + radius, y + radius))
        self._draw.ellipse(box, fill=fill, outline=outline, width=_FINER)

    def head(self, tip, way, size: float = 7.0) -> None:
        """An arrow's head at ``tip``, pointing along the unit vector ``way``."""
        (x, y), (u, v) = tip, way
        corners = [(x, y)] + [(x - u * size - s * v * size / 3, y - v * size + s * u * size / 3) for s in (1, -1)]
        self._draw.polygon([(a * _FINER, b * _FINER) for a, b in corners], fill=INK)

    def write(self, at, text: str, size: int, anchor: str = "la", fill=INK, ground: bool = False) -> None:
        """Text; on paper-white ``ground`` where lines may run below it."""
        font = ImageFont.load_default(size * _FINER)
        at = (at[0] * _FINER, at[1] * _FINER)
        if ground:
            x0, y0, x1, y1 = self._draw.textbbox(at, text, font=font, anchor=anchor)
            self._draw.rectangle((x0 - 3, y0 - 2, x1 + 3, y1 + 2), fill=PAPER)
        self._draw.text(at, text, font=font, fill=fill, anchor=anchor)


# ---------------------------------------------------------------- the sheet


def _sheet(pen: _Pen, plan: Plan) -> None:
    width, height = plan.placement.sheet_mm
    corners = [pen.at(*point) for point in ((0, 0), (width, 0), (width, height), (0, height))]
    for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
        pen.line(a, b, 2)
    left, top, right, bottom = plan.placement.frame
    inside = max(left, 0), max(top, 0), min(right, width), min(bottom, height)
    frame = [pen.at(inside[i], inside[j]) for i, j in ((0, 1), (2, 1), (2, 3), (0, 3))]
    for k, shown in enumerate((top > 0, right < width, bottom < height, left > 0)):
        if shown:
            pen.line(frame[k], frame[(k + 1) % 4], 1, EDGE, 5)
    if bottom < height - 8:
        pen.write((frame[3][0] + 4, frame[3][1] + 3), "edge of the picture", 12, fill=_SOFT)


def _from_top(pen: _Pen, lengths: Sequence[Length]) -> None:
    """Ticks at the left edge with the distance from the top edge beside them, and a short dash at the spot."""
    places = _spread([pen.at(0, each.mm)[1] for each in lengths], 19)
    if lengths:
        pen.write((pen.origin[0] - 14, pen.origin[1]), "mm from the top", 12, "rm", _SOFT)
    for each, text_y in zip(lengths, places, strict=True):
        x, y = each.ends[0]
        edge, tick = pen.at(0, y), pen.at(_TICK_MM, y)
        pen.line(edge, tick, 2)
        pen.line((edge[0] - 10, text_y), edge, 1, _SOFT)
        lines = _wrapped(f"{each.label} {words.amount(each.mm)}", _SMALL, _LEFT - 14 - _MARGIN + 16)
        pen.write((edge[0] - 14, text_y), lines[0] if len(lines) == 1 else _short(each), _SMALL, "rm")
        a, b = pen.at(x - _DASH_MM / 2, y), pen.at(x + _DASH_MM / 2, y)
        pen.line(a, b, 2)


def _from_left(pen: _Pen, lengths: Sequence[Length]) -> None:
    """Ticks at the top edge, the distance from the left edge above them, and a short dash at the spot."""
    places = _spread([pen.at(each.mm, 0)[0] for each in lengths], 30)
    top = pen.origin[1]
    if lengths:
        pen.write((pen.origin[0] - 14, top - 22), "mm from the left", 12, "rm", _SOFT)
    for each, text_x in zip(lengths, places, strict=True):
        x, y = each.ends[0]
        edge, tick = pen.at(x, 0), pen.at(x, _TICK_MM)
        pen.line(edge, tick, 2)
        pen.line((text_x, top - 10), edge, 1, _SOFT)
        pen.write((text_x, top - 13), f"{words.amount(each.mm)}", _SMALL, "mb")
        a, b = pen.at(x, y - _DASH_MM / 2), pen.at(x, y + _DASH_MM / 2)
        pen.line(a, b, 2)


def _between(pen: _Pen, lengths: Sequence[Length]) -> list[tuple[float, float]]:
    """A line with two heads and its mm in the middle, at the place that is measured; returns where the figures stand."""
    taken: list[tuple[float, float]] = []
    drawn: list[tuple[float, float, float]] = []
    for each in sorted(lengths, key=lambda one: one.direction != "apart"):
        (x0, y0), (x1, y1) = (pen.at(*end) for end in each.ends)
        if each.direction == "across":
            # A width holds at any height near its own: lines that would run into each other are set apart.
            y0 = y1 = _free_height((y0 + y1) / 2, *sorted((x0, x1)), drawn)
        elif each.direction == "down":
            x0 = x1 = (x0 + x1) / 2
        if each.direction != "down":
            drawn.append((min(x0, x1), max(x0, x1), (y0 + y1) / 2))
        length = max(math.dist((x0, y0), (x1, y1)), 1e-9)
        way = ((x1 - x0) / length, (y1 - y0) / length)
        pen.line((x0, y0), (x1, y1), 1.5)
        pen.head((x1, y1), way)
        pen.head((x0, y0), (-way[0], -way[1]))
        at = next(
            (p for p in (_along((x0, y0), (x1, y1), s) for s in (0.5, 0.3, 0.7, 0.15, 0.85)) if _is_free(p, taken)),
            ((x0 + x1) / 2, (y0 + y1) / 2),
        )
        taken.append(at)
        pen.write(at, words.amount(each.mm), _SMALL, "mm", ground=True)
    return taken


def _free_height(y: float, low: float, high: float, drawn) -> float:
    for shift in (0, -20, 20, -40, 40, -60):
        if all(low > right or high < left or abs(y + shift - at) >= 18 for left, right, at in drawn):
            return y + shift
    return y


def _along(a, b, share: float) -> tuple[float, float]:
    return a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share


def _is_free(at, taken) -> bool:
    return all(abs(at[0] - x) > 34 or abs(at[1] - y) > 18 for x, y in taken)


def _relation(pen: _Pen, each: Relation) -> None:
    """The two spots and a dashed line between them."""
    a, b = (pen.at(*end) for end in each.ends)
    pen.line(a, b, 1, ACCENT, 4)
    for spot in (a, b):
        pen.dot(spot, 2.5, PAPER, ACCENT)


def _letter(pen: _Pen, each: Relation, letter: str, taken: list[tuple[float, float]]) -> None:
    a, b = (pen.at(*end) for end in each.ends)
    spots = [_along(a, b, share) for share in (0.5, 0.7, 0.3, 0.85, 0.15)]
    spots += [(x, y + shift) for shift in (17, -17, 34) for x, y in spots[:3]]
    place = next((spot for spot in spots if all(math.dist(spot, other) > 16 for other in taken)), spots[0])
    taken.append(place)
    pen.write(place, letter, 13, "mm", ACCENT, ground=True)


def _short(each: Length) -> str:
    label = each.label
    while label and len(_wrapped(f"{label}... {words.amount(each.mm)}", _SMALL, _LEFT - 14 - _MARGIN + 16)) > 1:
        label = label[:-1]
    return f"{label.rstrip()}... {words.amount(each.mm)}"


def _spread(places: list[float], least: float) -> list[float]:
    """Places pushed apart to at least ``least``, their order kept."""
    order = sorted(range(len(places)), key=lambda k: places[k])
    spread = list(places)
    for _ in range(50):
        for one, other in itertools.pairwise(order):
            short = least - (spread[other] - spread[one])
            if short > 1e-6:
                spread[one] -= short / 2
                spread[other] += short / 2
    return spread


# ---------------------------------------------------------------- text


def _title_height(plan: Plan, width: int) -> int:
    return 28 * (len(_wrapped(words.title(plan), 22, width - 2 * _MARGIN)) - 1)


def _texts(plan: Plan, width: float) -> list[tuple[str, int, tuple[int, int, int], int]]:
    """(line, size, colour, height) below the sheet."""
    placed = plan.placement
    blocks = [(f"{plan.size_label[0].upper()}{plan.size_label[1:]} {placed.size_mm:.0f} mm. {words.margins(plan)}", INK)]
    blocks += [(words.length_line(each), INK) for each in plan.lengths]
    blocks += [(f"{_LETTERS[k]}: {words.relation_line(each)}", ACCENT) for k, each in enumerate(plan.relations)]
    blocks.append(("Not to be laid over or traced: numbers to measure, the rest freehand.", _SOFT))
    lines = []
    for text, colour in blocks:
        lines += [(line, _TEXT, colour, 23) for line in _wrapped(text, _TEXT, width)]
    return lines


def _wrapped(text: str, size: int, width: float) -> list[str]:
    return wrapped(text, ImageFont.load_default(size), width)
