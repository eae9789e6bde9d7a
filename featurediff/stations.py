"""Small marks along an outline that is known by a number: "7a" to "7e", so that words and pictures mean the same stretch of it.

Our own convention. Only stretches of general outlines carry them, which have neither form nor named levels to go by.
"""

from __future__ import annotations

import numpy as np

from featurediff.geometry import runs
from featurediff.records import Feature, Located, Subject

# Marks lie about so far apart, as a share of the subject's size; so many spaces at least and at most.
_APART = 0.08
_FEWEST, _MOST = 2, 8
# A stretch reaches to where this share of its largest departure is left.
_REACHES = 0.5
# What is said of a stretch whose points were not seen.
LOST = "its line does not run where it was looked for, and no other is surely its own"


def stations(subject: Subject, number: int) -> dict[str, int]:
    """Label -> index of a point, in order along the feature of that ``number`` (1 for the first); empty where it has no marks."""
    feature = subject.features[number - 1]
    if not (subject.numbered and is_stretch(feature) and not feature.anchors and len(feature.points) > _MOST):
        return {}
    line = np.vstack([feature.points, feature.points[:1]]) if feature.closed else feature.points
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    spaces = int(np.clip(round(arc[-1] / (_APART * subject.size_px)), _FEWEST, _MOST))
    at = np.linspace(0.0, arc[-1], spaces + 1)[: spaces if feature.closed else None]
    return {f"{number}{chr(ord('a') + k)}": int(np.abs(arc - each).argmin()) % len(feature.points) for k, each in enumerate(at)}


def is_stretch(feature: Feature) -> bool:
    """Whether a feature is a stretch of a thing's outline, by its name."""
    return " outline of " in f" {feature.name}"


def between(marks: dict[str, int], departures: np.ndarray, peak: int, closed: bool) -> tuple[str, str] | None:
    """The two marks that enclose the departure (n,) around ``peak``, down to half of it; None when they enclose all of a loop."""
    count = len(departures)
    out = departures * np.sign(departures[peak]) >= _REACHES * abs(departures[peak])
    # From the peak on: positions before 0 or beyond the last point go round a loop, and end at the ends of a line.
    first = last = peak
    while last - first < count - 1 and (closed or first > 0) and out[(first - 1) % count]:
        first -= 1
    while last - first < count - 1 and (closed or last < count - 1) and out[(last + 1) % count]:
        last += 1
    turns = (-count, 0, count) if closed else (0,)
    places = sorted((index + turn, label) for turn in turns for label, index in marks.items())
    before = [each for each in places if each[0] <= first]
    after = [each for each in places if each[0] >= last]
    if not before or not after:
        return None
    start, stop = before[-1], after[0]
    if start == stop:
        # All of it lies at one mark: its neighbours enclose it.
        k = places.index(start)
        start, stop = places[max(k - 1, 0)], places[min(k + 1, len(places) - 1)]
    return None if stop[0] - start[0] >= count or start[1] == stop[1] else (start[1], stop[1])


def unseen_parts(subject: Subject, index: int, located: Located) -> list[str]:
    """What of a found feature is not judged, in words: the stretches that were not seen, and what the matching says of it.

    ``index``: the feature's place in the subject.
    """
    if not located.found or located.point_sigma_mm is None:
        return []
    feature, lost = subject.features[index], ~np.isfinite(located.point_sigma_mm)
    said = [f"{where(stations(subject, index + 1), feature.points, run)}: {LOST}" for run in runs(lost, feature.closed)]
    return said + ([located.partly] if located.partly else [])


def where(marks: dict[str, int], points: np.ndarray, run: np.ndarray) -> str:
    """Where on an outline (n, 2) a run of its points (indices) lies, in words: between which marks, or in which part of it."""
    places = sorted((index, label) for label, index in marks.items())
    before = [label for index, label in places if index <= run[0]]
    after = [label for index, label in places if index >= run[-1]]
    if run[0] <= run[-1] and before and after and before[-1] != after[0]:
        return f"between {before[-1]} and {after[0]} on the picture"
    return part_of(points, int(run[len(run) // 2]))


def part_of(points: np.ndarray, place: int) -> str:
    """In which part of a curve (n, 2) the point ``place`` lies, in words: upper, lower, left or right, or its middle."""
    low, high = points.min(0), points.max(0)
    share = (points[place] - low) / np.maximum(high - low, 1e-9)
    size = high - low
    words = []
    if size[1] > 0.3 * size.max():
        words += ["upper"] if share[1] < 1 / 3 else ["lower"] if share[1] > 2 / 3 else []
    if size[0] > 0.3 * size.max():
        words += ["left"] if share[0] < 1 / 3 else ["right"] if share[0] > 2 / 3 else []
    return f"in its {' '.join(words)} part" if words else "in its middle"
