"""Which part of the sheet the page shows, and where on it each correction is, in the drawing and on the reference laid on it.

Everything is in sheet units, so that one place has one pair of numbers in both pictures.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from featurediff import geometry
from featurediff.records import Correction, Located, Report, Subject

# Above this share of the sheet's area the whole sheet is shown.
_WHOLE_SHEET = 0.5
# Paper shown around the drawing, as a share of its larger extent: for the sheet, and for the two pictures side by side.
_AROUND_SHEET, _AROUND_PAIR = 0.14, 0.06
# From this width to height on marks are smaller.
_WIDE, _WIDE_MARKS = 1.15, 0.8
# No lit place is smaller than this share of the window, nor closer to what it is about than this.
_LEAST_LIT, _LIT_MARGIN = 0.08, 0.02
# What is this near to a line of the reference, as a share of the window, is on it.
_SNAP = 0.025


@dataclass(frozen=True)
class Window:
    """A rectangle on the sheet, in sheet units."""

    x: float
    y: float
    width: float
    height: float

    @property
    def unit(self) -> float:
        """What marks are sized by: a hundredth of the width, less where the window is wide and shown larger."""
        return self.width / 100.0 * (1.0 if self.width <= _WIDE * self.height else _WIDE_MARKS)

    def holds(self, point: tuple[float, float], margin: float = 0.0) -> bool:
        """Whether a point is inside, ``margin`` from every edge."""
        return (
            self.x + margin <= point[0] <= self.x + self.width - margin
            and self.y + margin <= point[1] <= self.y + self.height - margin
        )

    def clip(self, point: tuple[float, float]) -> tuple[float, float]:
        """The nearest point inside."""
        return (
            float(np.clip(point[0], self.x, self.x + self.width)),
            float(np.clip(point[1], self.y, self.y + self.height)),
        )


@dataclass(frozen=True)
class Lit:
    """The place of one correction in both pictures: where it is drawn, and where it is on the reference."""

    drawing: Window
    reference: Window


def sheet_extent(squared: np.ndarray, px_per_unit: float) -> Window:
    """The whole squared sheet."""
    height, width = squared.shape[:2]
    return Window(0.0, 0.0, width / px_per_unit, height / px_per_unit)


def windows(report: Report, subject: Subject | None, located: tuple[Located, ...], sheet: Window) -> tuple[Window, Window]:
    """(for the to-fix sheet, for the two pictures side by side): both hold all that is drawn and all that is told."""
    points = np.concatenate(
        [
            *_drawn(located),
            *_wanted(report, subject),
            *map(_marked, report.corrections),
            *map(_aimed, report.corrections),
            np.empty((0, 2)),
        ]
    )
    if not len(points):
        return sheet, sheet
    page = _around(points, _AROUND_SHEET, sheet)
    if page.width * page.height > _WHOLE_SHEET * sheet.width * sheet.height:
        page = sheet
    return page, _around(points, _AROUND_PAIR, page)


def lit(each: Correction, report: Report, subject: Subject | None, located: tuple[Located, ...], pair: Window) -> Lit:
    """Where to look in both pictures for one correction."""
    told = set(each.explains)
    drawn = [place.points_mm for place in located if place.found and place.feature in told]
    wanted = _wanted(report, subject, told)
    return Lit(_box([*drawn, _marked(each)], pair), _box(wanted or [_aimed(each)], pair))


def aim(each: Correction, report: Report, subject: Subject | None, window: Window) -> tuple[float, float]:
    """Where the spot of a correction belongs, which is where it is on the reference."""
    move = each.arrows[0][1] if each.arrows else each.move_mm
    wanted = _wanted(report, subject, set(each.explains))
    if move is None and wanted:  # a turn, a shape: the middle of what it is about
        together = np.concatenate(wanted)
        middle = (together.min(0) + together.max(0)) / 2
        return float(middle[0]), float(middle[1])
    start = each.arrows[0][0] if each.arrows else each.at_mm
    there = np.add(start, move if move is not None else (0.0, 0.0))
    # A line or a corner of the reference that is meant by it is hit exactly; a closed form is meant as a whole.
    lines = _wanted(report, subject, {name for name in each.explains if not _closed(subject, name)})
    near = [geometry.resample(line, window.unit / 4) for line in lines]
    if near:
        points = np.concatenate(near)
        distances = np.hypot(*(points - there).T)
        if distances.min() < _SNAP * max(window.width, window.height):
            there = points[distances.argmin()]
    return float(there[0]), float(there[1])


def _closed(subject: Subject | None, name: str) -> bool:
    return any(each.closed for each in subject.features if each.name == name) if subject else True


def _drawn(located: Iterable[Located]) -> list[np.ndarray]:
    return [np.asarray(place.points_mm, float) for place in located if place.found]


def _wanted(report: Report, subject: Subject | None, names: set[str] | None = None) -> list[np.ndarray]:
    """Points of features of the reference, laid on the sheet; of all that were found, or of ``names``."""
    if subject is None:
        return []
    names = {each.name for each in report.features if each.found} if names is None else names
    matrix = reference_to_sheet(report)
    return [geometry.apply(matrix, each.points) for each in subject.features if each.name in names]


def reference_to_sheet(report: Report) -> np.ndarray:
    """(3, 3) similarity: reference px -> sheet units."""
    return geometry.similarity_matrix(report.lineup.scale, report.lineup.turn_deg, report.lineup.move_mm)


def _aimed(each: Correction) -> np.ndarray:
    """Where the arrows of a correction end."""
    return _marked(each) + np.array([move for _, move in each.arrows] or [each.move_mm or (0.0, 0.0)])


def _marked(each: Correction) -> np.ndarray:
    """Where the arrows of a correction begin."""
    return np.array([at for at, _ in each.arrows] or [each.at_mm], float)


def _around(points: np.ndarray, share: float, sheet: Window) -> Window:
    """The points' extent with some paper around it, within ``sheet``."""
    low, high = points.min(0), points.max(0)
    margin = share * max(*(high - low), 1e-6)
    low = np.clip(low - margin, [sheet.x, sheet.y], [sheet.x + sheet.width, sheet.y + sheet.height])
    high = np.clip(high + margin, [sheet.x, sheet.y], [sheet.x + sheet.width, sheet.y + sheet.height])
    if (high - low).min() < 1e-3:
        return sheet
    return Window(*map(float, (*low, *(high - low))))


def _box(points: list[np.ndarray], pair: Window) -> Window:
    together = np.concatenate(points) if points else np.array([[pair.x, pair.y], [pair.x + pair.width, pair.y + pair.height]])
    long_side = max(pair.width, pair.height)
    low, high = together.min(0) - _LIT_MARGIN * long_side, together.max(0) + _LIT_MARGIN * long_side
    lack = np.maximum(_LEAST_LIT * long_side - (high - low), 0.0) / 2
    return Window(*map(float, (*(low - lack), *(high - low + 2 * lack))))
