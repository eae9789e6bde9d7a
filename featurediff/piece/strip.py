"""The rounds side by side: each drawing, paled, with the numbers of its open items; counts and the worst error below."""

from __future__ import annotations

import io
import math
from collections.abc import Callable

from PIL import Image, ImageDraw, ImageFont

from featurediff.piece.pictures import opened
from featurediff.piece.records import Piece, Round
from featurediff.piece.words import summary, worst
from featurediff.report.look import ACCENT, EDGE, INK, PAPER, paled, wrapped
from featurediff.report.text import CLOSE

PANEL = 380  # px wide; heights follow the sheet
IN_A_ROW = 4
MOST = 24
_GAP, _PALE = 22, 0.5
_BAR = 14


def strip(piece: Piece, drawing: Callable[[int], bytes]) -> bytes:
    """The picture as JPEG. ``drawing`` gives the squared picture of a round. The latest `MOST` rounds are shown.

    Raises PieceError and PictureError when a picture can't be read.
    """
    rounds = piece.rounds[-MOST:]
    most = max((each.worst for each in rounds if each.unit == rounds[-1].unit), default=0.0)
    panels = [_panel(each, opened(drawing(each.number), f"The picture of round {each.number}"), most) for each in rounds]
    columns = min(len(panels), IN_A_ROW)
    rows = [panels[k : k + columns] for k in range(0, len(panels), columns)]
    heights = [max(each.height for each in row) for row in rows]
    width = columns * (PANEL + _GAP) + _GAP
    page = Image.new("RGB", (width, sum(heights) + _GAP * (len(rows) + 1)), PAPER)
    top = _GAP
    for row, height in zip(rows, heights, strict=True):
        for column, panel in enumerate(row):
            page.paste(panel, (_GAP + column * (PANEL + _GAP), top))
        top += height + _GAP
    file = io.BytesIO()
    page.save(file, "JPEG", quality=88)
    return file.getvalue()


def _panel(record: Round, drawing: Image.Image, most: float) -> Image.Image:
    shrink = PANEL / drawing.width
    small = drawing.resize((PANEL, max(round(drawing.height * shrink), 1)), Image.Resampling.BOX)
    small = paled(small, _PALE)
    lines = _lines(record)
    caption = 14 + sum(height for _, _, height, _ in lines) + _BAR + 12
    panel = Image.new("RGB", (PANEL, small.height + caption), PAPER)
    panel.paste(small)
    pen = ImageDraw.Draw(panel)
    pen.rectangle((0, 0, PANEL - 1, small.height - 1), outline=EDGE)
    _spots(pen, record, record.px_per_unit * shrink, small.size)
    y = small.height + 10
    for text, font, height, colour in lines:
        pen.text((0, y), text, font=font, fill=colour)
        y += height
    if most > 0 and record.items:
        # The worst error of each round as a bar on one scale: it should get shorter.
        pen.rectangle((0, y + 4, max(round((PANEL - 1) * min(record.worst / most, 1.0)), 2), y + 4 + _BAR), fill=ACCENT)
    return panel


def _lines(record: Round) -> list[tuple[str, object, int, tuple[int, int, int]]]:
    """(text, font, height, colour) of the caption."""
    large, small = ImageFont.load_default(20), ImageFont.load_default(15)
    lines = [(f"Round {record.number}", large, 27, INK)]
    lines += [(text, small, 20, INK) for text in wrapped(summary(record), small, PANEL)]
    lines.append((worst(record) or (CLOSE if record.close_enough else ""), small, 20, INK))
    return lines


def _spots(pen: ImageDraw.ImageDraw, record: Round, scale: float, size: tuple[int, int]) -> None:
    """The numbers of what is to be fixed, each beside its place, so that the drawing is seen."""
    font, radius, dot = ImageFont.load_default(14), 11, 3
    # Pixel centres lie at integers: the sheet's corner is half a pixel before the first one.
    spots = [
        (
            item.correction.rank,
            *(min(max(value * scale - 0.5, 0), most) for value, most in zip(item.correction.at_mm, size, strict=True)),
        )
        for item in record.items
        if item.now
    ]
    middle = [sum(spot[k] for spot in spots) / max(len(spots), 1) for k in (1, 2)]
    # Numbers keep off each other and off the places of the others.
    placed = [(x, y) for _, x, y in spots]
    for rank, x, y in spots:
        outwards = math.atan2(y - middle[1], x - middle[0]) if len(spots) > 1 else 0.0
        at = _free_place(x, y, outwards, radius, placed, size)
        placed.append(at)
        pen.line((x, y, *at), fill=INK, width=1)
        pen.ellipse((x - dot, y - dot, x + dot, y + dot), fill=INK, outline=PAPER)
        pen.ellipse((at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius), fill=INK, outline=PAPER, width=2)
        pen.text(at, str(rank), font=font, fill=PAPER, anchor="mm")


def _free_place(x: float, y: float, outwards: float, radius: float, placed: list, size: tuple[int, int]) -> tuple[float, float]:
    """A place beside (x, y) for a number, outwards if that can be, off all that is ``placed`` and inside the picture."""
    at = (x, y)
    for distance in (34, 52, 74):
        for turn in (0, 30, -30, 60, -60, 90, -90, 130, -130, 180):
            angle = outwards + math.radians(turn)
            at = (x + distance * math.cos(angle), y + distance * math.sin(angle))
            inside = all(radius <= value <= most - radius for value, most in zip(at, size, strict=True))
            if inside and all(math.dist(at, other) > 2.2 * radius for other in placed):
                return at
    return tuple(min(max(value, radius), most - radius) for value, most in zip(at, size, strict=True))
