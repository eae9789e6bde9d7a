"""The reference, paled, with every feature's number beside it: which line is meant by "the eaves on the right (7)".

It shows where to look on the reference picture. It is no outline to trace: it is small, and not at the drawing's size.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from featurediff.geometry import resample, rescale_points
from featurediff.records import Feature, Subject
from featurediff.report.look import ACCENT, INK, PAPER, paled, shrunk
from featurediff.stations import stations

LONG_SIDE = 1400
_PALE = 0.55
# Places to try for a number: how far along the line, and how many label heights beside it.
_ALONG = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9)
_BESIDE = (0.0, 1.1, -1.1, 1.9, -1.9)
# Directions, in eighths of a turn from outwards, to try for the label of a mark along an outline.
_AROUND = (0, 1, -1, 2, -2, 3, -3, 4)


def draw_numbers(subject: Subject, reference: np.ndarray, path: str | Path) -> None:
    """Write the numbered reference (h, w, 3) uint8 RGB as a picture file. Raises OSError when the file can't be written."""
    numbered(subject, reference).save(path)


def numbered(subject: Subject, reference: np.ndarray) -> Image.Image:
    """The finished picture: the reference with each feature's line and its number, 1 for the first of ``subject.features``."""
    image = Image.fromarray(np.asarray(reference, np.uint8)).convert("RGB")
    image, scale = shrunk(image, LONG_SIDE)
    image = paled(image, _PALE)
    pen = ImageDraw.Draw(image)
    unit = max(image.size) / 1000.0
    curves = [rescale_points(each.points, scale) for each in subject.features]
    for feature, curve in zip(subject.features, curves, strict=True):
        _line(pen, feature, curve, unit)
    font = ImageFont.load_default(max(17 * unit, 9.0))
    placed: list[np.ndarray] = []
    small = ImageFont.load_default(max(13 * unit, 8.0))
    # The marks can't move along their line, the numbers can: they come after.
    for number, curve in enumerate(curves, start=1):
        for label, index in stations(subject, number).items():
            placed += _station(pen, label, curve, index, small, placed, image.size)
    for number, (feature, curve) in enumerate(zip(subject.features, curves, strict=True), start=1):
        placed.append(_number(pen, str(number), feature, curve, font, placed, image.size))
    return image


def _line(pen: ImageDraw.ImageDraw, feature: Feature, curve: np.ndarray, unit: float) -> None:
    if len(curve) == 1:
        x, y = curve[0]
        pen.ellipse((x - 3 * unit, y - 3 * unit, x + 3 * unit, y + 3 * unit), fill=ACCENT, outline=PAPER)
        return
    points = [tuple(point) for point in (np.vstack([curve, curve[:1]]) if feature.closed else curve)]
    for colour, width in ((PAPER, 4.0), (ACCENT, 1.8)):
        pen.line(points, fill=colour, width=max(round(width * unit), 1), joint="curve")


def _number(
    pen: ImageDraw.ImageDraw,
    text: str,
    feature: Feature,
    curve: np.ndarray,
    font,
    placed: list[np.ndarray],
    size: tuple[int, int],
) -> np.ndarray:
    """Write a number where it hides no other; returns its box (left, top, right, bottom)."""
    left, top, right, bottom = pen.textbbox((0, 0), text, font=font, anchor="mm")
    half = np.array([right - left, bottom - top]) / 2 + 3
    best, least = None, np.inf
    for beside, middle in _places(feature, curve, 2 * half[1]):
        middle = np.clip(middle, half + 1, np.array(size) - half - 1)
        box = np.concatenate([middle - half, middle + half])
        cost = abs(beside) + 20.0 * sum(_overlap(box, other) for other in placed)
        if cost < least:
            best, least = box, cost
    pen.rectangle(tuple(best), fill=PAPER, outline=INK)
    pen.text(tuple((best[:2] + best[2:]) / 2), text, font=font, fill=INK, anchor="mm")
    return best


def _station(
    pen: ImageDraw.ImageDraw, text: str, curve: np.ndarray, index: int, font, placed: list[np.ndarray], size: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """A dot on the outline and its label beside it; returns the boxes of both (left, top, right, bottom)."""
    left, top, right, bottom = pen.textbbox((0, 0), text, font=font, anchor="mm")
    half = np.array([right - left, bottom - top]) / 2 + 1
    at, radius = curve[index], max(half[1] / 3, 2.0)
    out = np.arctan2(*(at - curve.mean(0))[::-1])
    best, least = None, np.inf
    for rank, turn in enumerate(_AROUND):
        way = np.array([np.cos(out + turn * np.pi / 4), np.sin(out + turn * np.pi / 4)])
        middle = np.clip(at + way * (half + 1.5 * radius), half + 1, np.array(size) - half - 1)
        box = np.concatenate([middle - half, middle + half])
        cost = rank + 20.0 * sum(_overlap(box, other) for other in placed)
        if cost < least:
            best, least = box, cost
    pen.ellipse((*(at - radius), *(at + radius)), fill=INK, outline=PAPER)
    pen.rectangle(tuple(best), fill=PAPER)
    pen.text(tuple((best[:2] + best[2:]) / 2), text, font=font, fill=INK, anchor="mm")
    return best, np.concatenate([at - radius, at + radius])


def _places(feature: Feature, curve: np.ndarray, height: float):
    """(how far beside the line, middle) of the places to try; a closed form carries its number inside first."""
    if feature.closed or len(curve) == 1:
        yield 0.0, curve.mean(0) + ([0.0, 0.0] if feature.closed else [0.0, -height])
    line = resample(curve, max(height / 4, 1.0)) if len(curve) > 1 else curve
    way = line[-1] - line[0]
    normal = np.array([-way[1], way[0]]) / max(float(np.hypot(*way)), 1e-9) if len(line) > 1 else np.array([1.0, 0.0])
    for beside in _BESIDE:
        for along in _ALONG:
            yield beside, line[round(along * (len(line) - 1))] + beside * height * normal


def _overlap(a: np.ndarray, b: np.ndarray) -> bool:
    return bool((a[:2] < b[2:]).all() and (b[:2] < a[2:]).all())
