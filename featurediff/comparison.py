"""One run, start to finish: two pictures in, one report out."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from featurediff import geometry
from featurediff.blocks import blocks_of
from featurediff.configuration import load_settings
from featurediff.corrections import correct, refine_lineup
from featurediff.deviations import deviations, feature_results
from featurediff.errors import CallError, RegistrationError
from featurediff.handover import calls
from featurediff.lineup import check_rule, line_up
from featurediff.marking.detector import detector_for, with_marks
from featurediff.marking.read import read_marks
from featurediff.marks import FAINT_TIMES, Marks, mark_contrast, see_marks
from featurediff.matching.match import match
from featurediff.pictures import read_picture
from featurediff.records import Advice, LineUp, Located, NotJudged, Picture, Report, Sheet, Subject
from featurediff.settings import Settings
from featurediff.sheet import advice as say
from featurediff.sheet.find import find_sheet
from featurediff.sheet.sizes import parse_sheet
from featurediff.sheet.squaring import square
from featurediff.stations import unseen_parts
from featurediff.weights import misspelt

# The squared sheet is made at this resolution, or at the photo's own if that is coarser: finer detail than a pencil line's
# width does not help.
WORKING_PX_PER_MM = 6.0
LONGEST_SIDE_PX = 2400

# Of a true copy nearly all features agree with the line-up, of another face or another pose a third to a half
# (python tests/benchmark/trust.py captures --scenes 21 --cases face); of so few features it says nothing.
AGREEING, FEW_FEATURES = 0.6, 8


@dataclass(frozen=True)
class Comparison:
    """A report with what its pictures are made of.

    ``squared`` (h, w, 3) uint8 RGB: the drawing seen square on, ``px_per_unit`` px to a sheet unit. ``reference`` (h, w, 3) uint8
    RGB as the detector took it, ``subject`` what it found there, ``located`` where that is on the sheet.
    """

    report: Report
    squared: np.ndarray
    px_per_unit: float
    reference: np.ndarray
    subject: Subject
    located: tuple[Located, ...]


@dataclass(frozen=True)
class Prepared:
    """A reference made ready once for many drawings: the ``detector``, its ``picture`` and the ``subject`` found on it."""

    detector: Any
    picture: Picture
    subject: Subject


class Clock:
    """Wall time by stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, stage: str) -> None:
        """Book the time since the last lap under ``stage``."""
        now = time.perf_counter()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._last
        self._last = now


def check(
    reference: str | Path | np.ndarray,
    drawing: str | Path | np.ndarray,
    *,
    subject: str | None = None,
    sheet: str | None = None,
    scan: bool = False,
    px_per_mm: float | None = None,
    lineup: str | None = None,
    sides: str | None = None,
    config: str | Path | Settings | None = None,
    detector: Any = None,
    marks: str | Path | None = None,
) -> Report:
    """Compare a drawing with its reference.

    ``reference`` and ``drawing``: paths, or (h, w, 3) uint8 RGB or (h, w) uint8 grey arrays. ``subject`` names an installed
    detector, or ``detector`` is a detector object, or ``marks`` names a file of marks on the reference. ``sheet``: "A4",
    "280x380mm"...; ``scan``: the drawing picture is the sheet edge to edge; ``px_per_mm``: the scale of a picture without visible
    paper edges. ``lineup``: "fewest" (default), a label such as "eyes", or two feature names with a comma. ``config``: a YAML
    file or a Settings record; arguments win over it.

    Raises CallError for a wrong call and CompareError (PictureError, SheetError, SubjectError, RegistrationError) when the
    pictures can't be compared. Detectors and their models stay loaded between calls.
    """
    return compare(reference, drawing, subject, sheet, scan, px_per_mm, lineup, sides, config, detector, marks).report


def compare(
    reference,
    drawing,
    subject=None,
    sheet=None,
    scan=False,
    px_per_mm=None,
    lineup=None,
    sides=None,
    config=None,
    detector=None,
    marks=None,
) -> Comparison:
    """`check`, with what the report's pictures are made of. ``reference`` may be one that `prepare` has made ready."""
    clock = Clock()
    settings = _settings(config, subject, sheet, scan, px_per_mm, lineup, sides)
    if marks is not None:
        settings = with_marks(settings, read_marks(marks))
    size_mm = parse_sheet(settings.sheet.size) if settings.sheet.size else None
    prepared = reference if isinstance(reference, Prepared) else None
    detector = prepared.detector if prepared else detector or detector_for(_with_subject(settings))
    clock.lap("load")
    reference_picture = prepared.picture if prepared else read_picture(reference)
    drawing_picture = read_picture(drawing)
    clock.lap("decode")
    paper = find_sheet(drawing_picture, size_mm, scan=settings.sheet.scan, px_per_mm=settings.sheet.px_per_mm or None)
    clock.lap("sheet")
    resolution = _resolution(paper, drawing_picture)
    squared = square(drawing_picture, paper, resolution)
    marked = see_marks(squared)
    clock.lap("square")
    if prepared is None:
        prepared = _prepared(detector, reference_picture, settings)
    reference_picture, found = prepared.picture, prepared.subject
    clock.lap("detector")
    guesses = calls.guess(detector, Picture(squared, drawing_picture.name), found)
    clock.lap("guess")
    registration, located = _matched(found, reference_picture, marked, resolution, guesses, clock)
    if paper.unit != "mm":
        paper, registration, located, resolution = _in_percent(paper, found, registration, located, resolution)
    placed = line_up(found, located, settings.lineup.rule, settings, registration)
    if settings.lineup.rule == "fewest":
        placed = refine_lineup(found, located, placed, paper, settings)
    clock.lap("line-up")
    report = _report(detector.name, found, located, placed, _with_advice(paper, marked), settings)
    clock.lap("corrections")
    report = replace(report, seconds=clock.seconds)
    return Comparison(report, squared, resolution, reference_picture.pixels, found, located)


def _matched(found: Subject, reference: Picture, marked: Marks, resolution: float, guesses, clock: Clock):
    """`match`; where nothing is found because the pencil can't be seen, the failure says that."""
    try:
        return match(found, reference.pixels, 1.0 - marked.darkness, resolution, guesses, clock.lap)
    except RegistrationError as error:
        if mark_contrast(marked.darkness) < FAINT_TIMES:
            raise RegistrationError("The drawing can't be found on the sheet.", say.faint().text) from error
        raise


def prepare(reference: str | Path | np.ndarray, settings: Settings) -> Prepared:
    """The reference made ready for `compare`. Raises CallError, PictureError and SubjectError."""
    return _prepared(detector_for(_with_subject(settings)), read_picture(reference), settings)


def _prepared(detector: Any, picture: Picture, settings: Settings) -> Prepared:
    picture = calls.prepare(detector, picture, settings.detector)
    found = calls.find(detector, picture, settings.detector)
    check_rule(found, settings.lineup.rule)
    return Prepared(detector, picture, found)


def _settings(config, subject, sheet, scan, px_per_mm, lineup, sides) -> Settings:
    settings = config if isinstance(config, Settings) else load_settings(config, {})
    if subject:
        settings = replace(settings, subject=subject)
    changes: dict[str, Any] = {"size": sheet, "scan": scan or None, "px_per_mm": px_per_mm}
    changes = {name: value for name, value in changes.items() if value is not None}
    settings = replace(settings, sheet=replace(settings.sheet, **changes))
    if lineup:
        settings = replace(settings, lineup=replace(settings.lineup, rule=lineup))
    if sides:
        settings = replace(settings, corrections=replace(settings.corrections, sides=sides))
    return settings


def _with_subject(settings: Settings) -> Settings:
    if not settings.subject:
        raise CallError("No subject was chosen.", "Name one with --subject; `featurediff subjects` lists them.")
    return settings


def _resolution(paper: Sheet, drawing: Picture) -> float:
    """Px per unit at which the sheet is squared; without a known scale, what brings the long side to a workable size."""
    height, width = drawing.pixels.shape[:2]
    if not np.isfinite(paper.px_per_mm):
        return min(1.0, LONGEST_SIDE_PX / max(height, width))
    wanted = min(WORKING_PX_PER_MM, max(paper.px_per_mm, 1.0))
    longest = max(paper.size_mm) if paper.size_mm else max(height, width) / paper.px_per_mm
    return min(wanted, LONGEST_SIDE_PX / longest)


def _in_percent(
    paper: Sheet, subject: Subject, registration: np.ndarray, located: tuple[Located, ...], resolution: float
) -> tuple[Sheet, np.ndarray, tuple[Located, ...], float]:
    """With no length known on the paper, measure in hundredths of the subject's drawn size."""
    unit = subject.size_px * geometry.split_similarity(registration)[0] / 100.0
    shrink = np.diag([1 / unit, 1 / unit, 1.0])
    places = tuple(
        replace(
            place,
            points_mm=place.points_mm / unit,
            point_sigma_mm=place.point_sigma_mm / unit,
            covariance=place.covariance / unit**2,
        )
        if place.found
        else place
        for place in located
    )
    return replace(paper, to_mm=shrink @ paper.to_mm), shrink @ registration, places, resolution * unit


def _report(
    name: str, subject: Subject, located: tuple[Located, ...], placed: LineUp, paper: Sheet, settings: Settings
) -> Report:
    measured = deviations(subject, located, placed, paper, settings)
    now, later, good = correct(subject, located, placed, paper, settings)
    missing = tuple(NotJudged(place.feature, place.why) for place in located if not place.found)
    partly = tuple(NotJudged(place.feature, why) for k, place in enumerate(located) for why in unseen_parts(subject, k, place))
    doubted = {each.feature for each in partly}
    return Report(
        subject=name,
        sides=settings.corrections.sides,
        sheet=paper,
        size_mm=subject.size_px * placed.scale,
        size_label=subject.size_label,
        lineup=placed,
        features=feature_results(subject, located, placed, paper),
        deviations=measured,
        corrections=now,
        later=later,
        good=tuple(name for name in good if name not in doubted),
        not_judged=(*subject.not_judged, *missing, *partly),
        capture=(
            *paper.advice,
            *subject.advice,
            *misspelt(subject, settings.importance),
            *_other_picture(located, placed),
        ),
        sitter_names={each.name: each.sitter_name for each in subject.features if each.sitter_name},
        blocks=blocks_of(subject),
    )


def _with_advice(paper: Sheet, marked: Marks) -> Sheet:
    faint = () if mark_contrast(marked.darkness) >= FAINT_TIMES else (say.faint(),)
    return replace(paper, advice=(*paper.advice, *say.shadow(marked.shadow_edges), *say.glare(marked.glare), *faint))


def _other_picture(located: tuple[Located, ...], placed: LineUp) -> tuple[Advice, ...]:
    """A warning when so little of the drawing lies where the reference has it that it may be of another picture."""
    found = sum(place.found for place in located)
    if found < FEW_FEATURES or len(placed.carried_by) >= AGREEING * found:
        return ()
    text = f"Only {len(placed.carried_by)} of {found} features lie where this reference has them: is it the same picture, in the"
    return (Advice("warning", f"{text} same pose? If it is, correct the first item and compare again."),)
