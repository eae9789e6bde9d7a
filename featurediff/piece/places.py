"""Places on the paper from round to round: each photograph has its own frame, the reference is common to all."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from featurediff.piece.records import TOUCHED, Change, Item, Round
from featurediff.records import Correction, Report
from featurediff.settings import Settings

Point = tuple[float, float]
# On a sheet without mm, one place reaches this far, in % of the subject's size.
_SAME_PLACE_PERCENT = 4.0


@dataclass(frozen=True)
class Frame:
    """A round's sheet: ``lineup`` (scale, turn in degrees, move x, move y) from reference px, ``size`` of the subject, unit."""

    lineup: tuple[float, float, float, float]
    size: float
    unit: str

    @property
    def factor(self) -> complex:
        """Scale and turn as one complex factor: p -> factor * p + move."""
        return cmath.rect(self.lineup[0], math.radians(self.lineup[1]))

    def to_reference(self, point: Point) -> Point:
        """Sheet units to reference px."""
        found = (complex(*point) - complex(*self.lineup[2:])) / self.factor
        return found.real, found.imag

    def to_sheet(self, point: Point) -> Point:
        """Reference px to sheet units."""
        found = complex(*point) * self.factor + complex(*self.lineup[2:])
        return found.real, found.imag


def frame_of(report: Report) -> Frame:
    """The frame of a report."""
    lineup = report.lineup
    values = (float(lineup.scale), float(lineup.turn_deg), float(lineup.move_mm[0]), float(lineup.move_mm[1]))
    return Frame(values, float(report.size_mm), report.sheet.unit)


def carried(correction: Correction, old: Frame, new: Frame) -> Correction:
    """A correction told by an earlier photograph, with its places laid on the new one."""
    turned = new.factor / old.factor

    def move(way: Point) -> Point:
        found = complex(*way) * turned
        return found.real, found.imag

    def place(at: Point) -> Point:
        return new.to_sheet(old.to_reference(at))

    return replace(
        correction,
        at_mm=place(correction.at_mm),
        move_mm=None if correction.move_mm is None else move(correction.move_mm),
        arrows=tuple((place(at), move(way)) for at, way in correction.arrows),
    )


def touched(before: Round, changes: Sequence[Change], report: Report, frame: Frame) -> tuple[Point, ...]:
    """Where the paper was worked on since the round before, in reference px: the features of every item that changed."""
    worked = {each.item for each in changes if each.outcome in TOUCHED}
    found: dict[Point, None] = {}
    for item in before.items:
        if item.id in worked:
            found.update(dict.fromkeys(_places(item, report, frame)))
    return tuple(found)


def worn(
    touches: Sequence[Sequence[Point]], items: Sequence[Item], report: Report, frame: Frame, settings: Settings
) -> tuple[int, ...]:
    """Numbers of open items whose next correction would be one too many in its place.

    ``touches``: the places worked on, round by round; a round counts once however much was done there.
    """
    reach = settings.rounds.same_place_mm if frame.unit == "mm" else _SAME_PLACE_PERCENT
    reach /= max(abs(frame.factor), 1e-9)
    found = []
    for item in items:
        spots = _places(item, report, frame)
        times = sum(any(math.dist(a, b) <= reach for a in spots for b in each) for each in touches)
        if item.now and times + 1 >= settings.rounds.warn_from:
            found.append(item.correction.rank)
    return tuple(found)


def _places(item: Item, report: Report, frame: Frame) -> list[Point]:
    """Where an item lies, in reference px: where each of its features belongs, or where the list points.

    Not where they are drawn: that moves with every correction of one and the same place.
    """
    named = {each.feature for each in item.readings} or set(item.correction.explains)
    spots = [
        (each.at_mm[0] - each.off_mm[0], each.at_mm[1] - each.off_mm[1])
        for each in report.features
        if each.name in named and each.at_mm is not None and each.off_mm is not None
    ]
    usable = [spot for spot in spots or [item.correction.at_mm] if all(math.isfinite(v) for v in spot)]
    return [frame.to_reference((float(x), float(y))) for x, y in usable]
