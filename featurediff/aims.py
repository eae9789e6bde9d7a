"""Where straight lines of a subject aim once it is laid on the sheet: their meeting points, and the ends they turn about."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from featurediff.geometry import apply
from featurediff.records import Meeting, Subject

# Lines that spread less than this say nothing firm about where they meet: it is judged at the lines, by their tilt.
SPREAD_DEG = 8.0


@dataclass(frozen=True)
class Aim:
    """A meeting on the sheet: ``at`` (2,), the found lines' ``names``, and for each line its ``hinges`` (k, 2), the end farthest
    from the meeting point, and ``nears`` (k, 2), the other one. In sheet units."""

    meeting: Meeting
    at: np.ndarray
    names: tuple[str, ...]
    hinges: np.ndarray
    nears: np.ndarray


def aims(subject: Subject, to_sheet: np.ndarray, found: Collection[str]) -> list[Aim]:
    """The meetings of at least two found lines that spread `SPREAD_DEG` degrees or more, laid by ``to_sheet``."""
    points = {feature.name: feature.points for feature in subject.features}
    result = []
    for meeting in subject.meetings:
        names = tuple(name for name in meeting.members if name in found and len(points.get(name, ())) >= 2)
        at = apply(to_sheet, np.asarray(meeting.at, float)[None])[0]
        if len(names) < 2 or not np.isfinite(at).all():
            continue
        ends = np.array([apply(to_sheet, np.asarray(points[name], float)[[0, -1]]) for name in names])
        far = np.hypot(*np.moveaxis(ends - at, -1, 0)).argmax(1)
        rows = np.arange(len(names))
        hinges, nears = ends[rows, far], ends[rows, 1 - far]
        if _spread_deg(nears - hinges) >= SPREAD_DEG - 1e-6:
            result.append(Aim(meeting, at, names, hinges, nears))
    return result


def _spread_deg(ways: np.ndarray) -> float:
    """The largest angle between any two of the directions (k, 2)."""
    unit = ways / np.maximum(np.hypot(*ways.T), 1e-9)[:, None]
    cross = unit[:, None, 0] * unit[None, :, 1] - unit[:, None, 1] * unit[None, :, 0]
    dot = unit @ unit.T
    return float(np.degrees(np.abs(np.arctan2(cross, dot)).max()))
