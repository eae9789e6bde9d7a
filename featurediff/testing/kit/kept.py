"""Pictures of the simulated drawings, to see where each feature was found and where it is."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from featurediff.records import Located, Subject
from featurediff.report.look import ACCENT, INK, paled
from featurediff.testing.hands import SimulatedSheet

SHARE = 0.45
TRUTH = (0, 110, 120)
# mm; where the line is found this near to its place, the truth alone is drawn.
NEAR_MM = 0.7


def keep(path: Path, sheet: SimulatedSheet, subject: Subject, located: tuple[Located, ...]) -> None:
    """Write ``path`` (PNG): the drawing, paled, each feature's true line, and with its name where it was found when not there.

    Features that were not found have their names in brackets.
    """
    image = paled(Image.fromarray(sheet.pixels).convert("L"), SHARE).convert("RGB")
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(size=max(12, image.width // 90))
    for each, place in zip(subject.features, located, strict=True):
        true = sheet.true_mm(each.points)
        _line(pen, true, each.closed, sheet.px_per_mm, TRUTH)
        if not place.found:
            _name(pen, f"({each.name})", true, sheet.px_per_mm, INK, font)
        elif float(np.median(np.hypot(*(place.points_mm - true).T))) > NEAR_MM:
            _line(pen, place.points_mm, each.closed, sheet.px_per_mm, ACCENT)
            _name(pen, each.name, place.points_mm, sheet.px_per_mm, ACCENT, font)
    temporary = path.with_name(f".{path.name}.part")
    image.save(temporary, format="PNG")
    os.replace(temporary, path)


def _line(pen: ImageDraw.ImageDraw, points_mm: np.ndarray, closed: bool, k: float, colour: tuple[int, int, int]) -> None:
    px = points_mm * k - 0.5
    if len(px) == 1:
        x, y = px[0]
        pen.ellipse((x - 5, y - 5, x + 5, y + 5), outline=colour, width=2)
        return
    pen.line([tuple(p) for p in (np.vstack([px, px[:1]]) if closed else px)], fill=colour, width=2)


def _name(pen: ImageDraw.ImageDraw, name: str, points_mm: np.ndarray, k: float, colour: tuple[int, int, int], font) -> None:
    pen.text(tuple(points_mm.mean(0) * k), name, fill=colour, font=font, anchor="mm", stroke_width=2, stroke_fill=(255, 255, 255))
