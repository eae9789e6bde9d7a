"""Small numbers beside the parts that texts name by number, "the eaves on the right (7)", off each other and off the marks."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from featurediff.geometry import resample
from featurediff.records import Feature, Subject
from featurediff.report.page_marks import Mark
from featurediff.report.page_window import Window
from featurediff.stations import stations

SIZE = 2.7  # height of a number in window units
# Places to try: how far along the line, and how many heights beside it.
_ALONG = (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9)
_BESIDE = (0.0, 0.9, -0.9, 1.6, -1.6)
# What it costs to lie on another number of a part, a spot or an arrow; on the number of a line of the list.
_ON_ANOTHER, _ON_NUMBER = 20.0, 50.0


@dataclass(frozen=True)
class Tag:
    """The number of a part and the middle of where it is written. ``text``: a mark along that part, written instead."""

    number: int
    at: tuple[float, float]
    text: str = ""


def named(texts: Iterable[str]) -> tuple[int, ...]:
    """The numbers of parts in sentences, each once: "(7)", "(12-16)"."""
    found: set[int] = set()
    for first, last in (match for text in texts for match in re.findall(r"\((\d+)(?:-(\d+))?\)", text)):
        found.update(range(int(first), int(last or first) + 1))
    return tuple(sorted(found))


def tags(
    curves: Mapping[int, tuple[Feature, np.ndarray]], window: Window, height: float, marks: Sequence[Mark] = ()
) -> tuple[Tag, ...]:
    """A tag for each part: number -> (feature, its points (n, 2) in sheet units). ``height`` of the letters in sheet units."""
    taken = [(_ON_NUMBER, _hull(mark.at, mark.at, mark.radius)) for mark in marks]
    taken += [(_ON_ANOTHER, _hull(arrow.start, arrow.stop, height / 3)) for mark in marks for arrow in mark.arrows]
    taken += [(_ON_ANOTHER, _hull(mark.spot, mark.spot, height / 3)) for mark in marks]
    placed = []
    for number, (feature, points) in curves.items():
        half = np.array([0.32 * len(str(number)) + 0.2, 0.6]) * height
        box = _best(feature, points, half, taken, window)
        taken.append((_ON_ANOTHER, box))
        middle = (box[:2] + box[2:]) / 2
        placed.append(Tag(number, (float(middle[0]), float(middle[1]))))
    return tuple(placed)


def station_tags(subject: Subject, curves: Mapping[int, tuple[Feature, np.ndarray]], height: float) -> tuple[Tag, ...]:
    """The marks along general outlines, each a little outside of its point. Arguments as for `tags`."""
    placed = []
    for number, (_, points) in curves.items():
        for text, index in stations(subject, number).items():
            out = points[index] - points.mean(0)
            at = points[index] + height * out / max(float(np.hypot(*out)), 1e-9)
            placed.append(Tag(number, (float(at[0]), float(at[1])), text))
    return tuple(placed)


def _best(
    feature: Feature, points: np.ndarray, half: np.ndarray, taken: list[tuple[float, np.ndarray]], window: Window
) -> np.ndarray:
    low, high = np.array([window.x, window.y]) + half, np.array([window.x + window.width, window.y + window.height]) - half
    best, least = None, np.inf
    for beside, middle in _places(feature, points, 2 * half[1]):
        middle = np.clip(middle, low, np.maximum(high, low))
        box = np.concatenate([middle - half, middle + half])
        cost = beside + sum(weight for weight, other in taken if _overlap(box, other))
        if cost < least:
            best, least = box, cost
    return best


def _places(feature: Feature, points: np.ndarray, height: float):
    """(how far off, middle) of the places to try; a closed form carries its number inside first."""
    line = resample(points, height / 4) if len(points) > 1 else points
    if feature.closed:
        middle = points.mean(0)
        for off in (0.0, 0.8, -0.8, 1.5, -1.5, 2.3, -2.3):
            yield abs(off) / 2, middle + [0.0, off * height]
            yield abs(off) / 2 + 0.1, middle + [off * height, 0.0]
    way = line[-1] - line[0]
    length = float(np.hypot(*way))
    normal = np.array([-way[1], way[0]]) / length if length > 1e-9 else np.array([0.0, -1.0])
    for beside in _BESIDE:
        for along in _ALONG:
            yield abs(beside) + abs(along - 0.5) / 5, line[round(along * (len(line) - 1))] + beside * height * normal


def _hull(a, b, margin: float) -> np.ndarray:
    return np.concatenate([np.minimum(a, b) - margin, np.maximum(a, b) + margin])


def _overlap(a: np.ndarray, b: np.ndarray) -> bool:
    return bool((a[:2] < b[2:]).all() and (b[:2] < a[2:]).all())
