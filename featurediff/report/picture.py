"""The artist's own drawing, paled, with the list on it: numbers beside the spots, arrows the way to go.

Nothing of the reference is shown: no outline, no overlay to trace.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from featurediff.records import Correction, Report
from featurediff.report.look import ACCENT, EDGE, INK, PAPER, paled, shrunk
from featurediff.report.text import verdict

LONG_SIDE = 1800
# The overlay is drawn larger and then averaged down, which smooths its edges.
_FINER = 2
_PALE = 0.45
# No arrow is drawn shorter, in thousandths of the long side.
_SHORTEST = 48


@dataclass(frozen=True)
class Canvas:
    """A drawing surface.

    ``unit``: a thousandth of the long side in px; ``scale``: px per sheet unit; ``origin``: px of the sheet's (0, 0).
    """

    draw: ImageDraw.ImageDraw
    size: tuple[int, int]
    unit: float
    scale: float
    origin: tuple[float, float]

    def px(self, point: tuple[float, float]) -> np.ndarray:
        """Sheet units to canvas px."""
        return np.array([self.origin[0] + point[0] * self.scale, self.origin[1] + point[1] * self.scale])


def draw(report: Report, squared_rgb: np.ndarray, px_per_mm: float, path: str | Path) -> None:
    """Write the picture of ``report`` as PNG or JPEG (by the suffix of ``path``), all of it or nothing.

    ``squared_rgb`` (h, w, 3) uint8 is the sheet seen square on, ``px_per_mm`` px to a sheet unit. Raises OSError when the file
    can't be written.
    """
    path = Path(path)
    image = compose(report, squared_rgb, px_per_mm)
    temporary = path.with_name(f".{path.stem}-{os.getpid()}-part{path.suffix}")
    try:
        image.save(temporary)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def compose(report: Report, squared_rgb: np.ndarray, px_per_mm: float) -> Image.Image:
    """The finished picture."""
    sheet = Image.fromarray(np.asarray(squared_rgb, np.uint8)).convert("RGB")
    sheet, shrink = shrunk(sheet, LONG_SIDE)
    sheet = paled(sheet, _PALE)
    unit = max(sheet.size) / 1000.0
    margin = round(46 * unit)
    caption = _caption(report, sheet.width + 2 * margin, unit)
    page = Image.new("RGB", (sheet.width + 2 * margin, sheet.height + margin + caption.height), PAPER)
    page.paste(sheet, (margin, margin))
    page.paste(caption, (0, margin + sheet.height))
    _overlay(page, report, px_per_mm * shrink, margin, unit, sheet.size)
    return page


# ---------------------------------------------------------------- overlay


def _overlay(page: Image.Image, report: Report, scale: float, margin: int, unit: float, sheet: tuple[int, int]) -> None:
    layer = Image.new("RGBA", (page.width * _FINER, page.height * _FINER), (0, 0, 0, 0))
    # Pixel centres lie at integers: mm 0 is half a pixel before the first one.
    canvas = Canvas(
        ImageDraw.Draw(layer), layer.size, unit * _FINER, scale * _FINER, (margin * _FINER - 0.5, margin * _FINER - 0.5)
    )
    area = tuple(_FINER * value for value in (4, 4, page.width - 4, margin + sheet[1] - 4))
    _frame(canvas, margin, sheet)
    placed: list[tuple[float, float, float, float]] = []
    lines: list[tuple[np.ndarray, np.ndarray]] = []
    shown = [(each, _strokes(each, canvas)) for each in report.corrections]
    busy = [point for _, strokes in shown for stroke in strokes for point in (stroke[0], stroke[1])]
    for each, strokes in shown:
        for start, stop, longer in strokes:
            _arrow(canvas, start, stop, longer)
        if each.turn_deg is not None and not strokes:
            _turn(canvas, canvas.px(each.at_mm), each.turn_deg)
    for each, strokes in shown:
        spot = strokes[0][0] if strokes else canvas.px(each.at_mm)
        box = _place(canvas, _label(each, report), spot, placed, lines, busy, area)
        placed.append(box)
        lines.append((spot, _middle(box)))
        _callout(canvas, each, report, spot, box)
    layer = layer.resize(page.size, Image.Resampling.BOX)
    page.paste(layer, (0, 0), layer)


def _frame(canvas: Canvas, margin: int, sheet: tuple[int, int]) -> None:
    """The sheet's edge, and L and R beside it."""
    left, top = margin * _FINER, margin * _FINER
    right, bottom = left + sheet[0] * _FINER, top + sheet[1] * _FINER
    canvas.draw.rectangle((left, top, right, bottom), outline=(*EDGE, 255), width=round(1.2 * canvas.unit))
    font = _font(30 * canvas.unit)
    for letter, x in (("L", left / 2), ("R", (right + canvas.size[0]) / 2)):
        for y in (top + 0.25 * (bottom - top), top + 0.75 * (bottom - top)):
            canvas.draw.text((x, y), letter, font=font, fill=(*INK, 255), anchor="mm")


def _strokes(each: Correction, canvas: Canvas) -> list[tuple[np.ndarray, np.ndarray, bool]]:
    """(start, stop, drawn longer than the move) of each arrow, in canvas px."""
    shortest = _SHORTEST * canvas.unit
    strokes = []
    for at, move in each.arrows:
        start, way = canvas.px(at), np.array(move) * canvas.scale
        length = float(np.hypot(*way))
        if length > 0:
            longer = length < shortest
            strokes.append((start, start + way * (shortest / length if longer else 1.0), longer))
    return strokes


def _arrow(canvas: Canvas, start: np.ndarray, stop: np.ndarray, dashed: bool) -> None:
    width = 5 * canvas.unit
    way = (stop - start) / max(float(np.hypot(*(stop - start))), 1e-9)
    head = 15 * canvas.unit
    neck = stop - way * head * 0.8
    for colour, extra in ((PAPER, 3 * canvas.unit), (ACCENT, 0.0)):
        _line(canvas, start, neck, colour, width + 2 * extra, dashed and colour is ACCENT)
        _head(canvas, stop + way * extra, way, head + 2 * extra, colour)


def _line(canvas: Canvas, start: np.ndarray, stop: np.ndarray, colour, width: float, dashed: bool) -> None:
    pieces = [(start, stop)]
    if dashed:
        length = float(np.hypot(*(stop - start)))
        count = max(round(length / (12 * canvas.unit)), 2)
        at = np.linspace(0, 1, 2 * count)
        pieces = [(start + (stop - start) * at[k], start + (stop - start) * at[k + 1]) for k in range(0, 2 * count, 2)]
    for a, b in pieces:
        canvas.draw.line((*a, *b), fill=(*colour, 255), width=max(round(width), 1))


def _head(canvas: Canvas, tip: np.ndarray, way: np.ndarray, length: float, colour) -> None:
    side = np.array([-way[1], way[0]])
    points = [tip, tip - way * length + side * length * 0.5, tip - way * length - side * length * 0.5]
    canvas.draw.polygon([tuple(point) for point in points], fill=(*colour, 255))


def _turn(canvas: Canvas, centre: np.ndarray, turn_deg: float) -> None:
    """An arc of fixed length with a head, clockwise for a positive turn."""
    radius, width = 40 * canvas.unit, 5 * canvas.unit
    box = (*(centre - radius), *(centre + radius))
    start, stop = -150.0, -30.0
    end = math.radians(stop if turn_deg > 0 else start)
    tip = centre + radius * np.array([math.cos(end), math.sin(end)])
    way = np.array([-math.sin(end), math.cos(end)]) * (1 if turn_deg > 0 else -1)
    for colour, extra in ((PAPER, 3 * canvas.unit), (ACCENT, 0.0)):
        grown = (box[0] - extra, box[1] - extra, box[2] + extra, box[3] + extra)
        canvas.draw.arc(grown, start, stop, fill=(*colour, 255), width=round(width + 2 * extra))
        _head(canvas, tip + way * (12 * canvas.unit + extra), way, 19 * canvas.unit + 2 * extra, colour)


# ---------------------------------------------------------------- callouts


def _label(each: Correction, report: Report) -> str:
    return str(each.rank)


def _place(canvas, label, spot, placed, lines, busy, area) -> tuple[float, float, float, float]:
    """The box (left, top, right, bottom) near ``spot`` that hides least: not over other numbers, arrows or leaders."""
    half = 21 * canvas.unit
    best, least = None, math.inf
    for distance in (62, 85, 115, 150, 200, 260):
        for angle in np.arange(0, 360, 15):
            turn = math.radians(float(angle) + 7.0)
            middle = spot + distance * canvas.unit * np.array([math.cos(turn), math.sin(turn)])
            box = (middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half)
            if box[0] < area[0] or box[1] < area[1] or box[2] > area[2] or box[3] > area[3]:
                continue
            cost = distance / 60.0
            cost += sum(50.0 for other in placed if _overlap(box, other, 5 * canvas.unit))
            cost += sum(6.0 for point in busy if _holds(box, point, 12 * canvas.unit))
            cost += sum(4.0 for line in lines if _cross(spot, middle, *line))
            if cost < least:
                best, least = box, cost
    if best is None:
        x, y = (float(np.clip(spot[k], area[k] + half, area[k + 2] - half)) for k in (0, 1))
        best = (x - half, y - half, x + half, y + half)
    return best


def _callout(canvas: Canvas, each: Correction, report: Report, spot: np.ndarray, box) -> None:
    middle = _middle(box)
    way = middle - spot
    length = max(float(np.hypot(*way)), 1e-9)
    stop = middle - way / length * 20 * canvas.unit
    start = spot + way / length * 6 * canvas.unit
    for colour, width in ((PAPER, 5.0), (INK, 2.0)):
        canvas.draw.line((*start, *stop), fill=(*colour, 255), width=max(round(width * canvas.unit), 1))
    dot = 4.5 * canvas.unit
    canvas.draw.ellipse((*(spot - dot), *(spot + dot)), fill=(*INK, 255), outline=(*PAPER, 255), width=round(canvas.unit))
    canvas.draw.ellipse(box, fill=(*INK, 255), outline=(*PAPER, 255), width=round(2.5 * canvas.unit))
    canvas.draw.text(tuple(middle), _label(each, report), font=_font(25 * canvas.unit), fill=(*PAPER, 255), anchor="mm")


def _middle(box) -> np.ndarray:
    return np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])


def _overlap(a, b, gap: float) -> bool:
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


def _holds(box, point, gap: float) -> bool:
    return box[0] - gap < point[0] < box[2] + gap and box[1] - gap < point[1] < box[3] + gap


def _cross(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> bool:
    def side(p, q, r) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


# ---------------------------------------------------------------- caption


def _caption(report: Report, width: int, unit: float) -> Image.Image:
    """The numbered sentences under the drawing."""
    margin = round(46 * unit)
    font, small = _font(21 * unit), _font(16 * unit)
    lines: list[tuple[str, object]] = []
    for each in report.corrections:
        lines += [(text, font) for text in _wrapped(f"{each.rank}. {each.text}", font, width - 2 * margin)]
    if not report.corrections:
        lines.append((verdict(report), font))
    notes = ["L and R are left and right as you look at the paper."]
    if any(each.arrows or each.turn_deg is not None for each in report.corrections):
        notes.append("Arrows show the way to go; dashed ones are drawn longer than the move, curved ones are not to scale.")
    lines += [(text, small) for note in notes for text in _wrapped(note, small, width - 2 * margin)]
    heights = [round(1.35 * font.size) for _, font in lines]
    image = Image.new("RGB", (width, sum(heights) + round(36 * unit)), PAPER)
    pen, y = ImageDraw.Draw(image), round(16 * unit)
    for (text, each), height in zip(lines, heights, strict=True):
        pen.text((margin, y), text, font=each, fill=INK)
        y += height
    return image


def _wrapped(text: str, font, width: float) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and font.getlength(longer) > width:
            lines.append(line)
            line = "    " + word
        else:
            line = longer if not line.startswith("    ") else f"{line} {word}"
    return [*lines, line]


def _font(size: float):
    return ImageFont.load_default(max(size, 6.0))
