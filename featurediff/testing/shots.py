"""One photographed drawing with all that is known of it, and what a comparison of it came to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from featurediff.comparison import Comparison, Prepared, compare, prepare
from featurediff.deviations import Compared
from featurediff.deviations import compare as compare_features
from featurediff.doubt import form_of
from featurediff.errors import FeaturediffError
from featurediff.geometry import apply
from featurediff.records import Sheet
from featurediff.settings import Settings
from featurediff.testing.camera import Photo
from featurediff.testing.hands import SimulatedSheet
from featurediff.testing.motifs import Motif


@dataclass(frozen=True)
class Shot:
    """``reference`` and ``drawing`` as handed to featurediff: arrays or files. ``amount``: of the motif's mistake in mm, 0 for a
    true copy. ``sheet``: the drawing, square on; ``photo``: its photograph before what ``seen`` did to it afterwards.

    ``to_scene``: px of ``reference`` (n, 2) -> px of the motif's scene. ``shift_mm``: the place of (0, 0) of the named paper on
    the drawn one. ``whole``: the picture shows the sheet as ``photo`` knows it, so that its geometry can be judged. ``options``:
    for `featurediff.check`.
    """

    motif: Motif
    reference: np.ndarray | Path
    drawing: np.ndarray | Path
    amount: float
    sheet: SimulatedSheet
    photo: Photo
    to_scene: Callable[[np.ndarray], np.ndarray] = lambda points: points
    shift_mm: tuple[float, float] = (0.0, 0.0)
    whole: bool = True
    options: dict = field(default_factory=dict)

    def true_mm(self, points_px: np.ndarray) -> np.ndarray:
        """(n, 2): where points of the reference truly are on the named paper, in mm."""
        return self.sheet.true_mm(self.to_scene(points_px)) - self.shift_mm


@dataclass(frozen=True)
class Reading:
    """One measure of one feature with its true error; ``form`` as `featurediff.doubt` has it.

    ``error`` is stated minus true, in ``unit``; ``own`` and ``sigma`` are its stated standard uncertainties, of the feature alone
    and with the sheet, ``cautious_own`` and ``cautious`` those that decisions allow for. ``quality``: how alike it looked.
    """

    feature: str
    form: str
    measure: str
    unit: str
    error: float
    own: float
    sigma: float
    cautious_own: float
    cautious: float
    quality: float
    tolerance: float
    value: float


@dataclass(frozen=True)
class Outcome:
    """What a comparison came to: ``result`` or ``error``. ``readings`` where truth is known on the sheet; ``geometry`` (n,): true
    errors in mm of places all over the squared sheet."""

    shot: Shot
    result: Comparison | None = None
    error: FeaturediffError | None = None
    readings: tuple[Reading, ...] = ()
    geometry: np.ndarray | None = None

    @property
    def said(self) -> list[str]:
        """All statements, those that can wait included."""
        if self.result is None:
            return []
        return [each.text for each in self.result.report.corrections + self.result.report.later]

    def position_errors(self) -> np.ndarray:
        """(n,) distance in mm of each located feature from its true place."""
        places: dict[str, list[float]] = {}
        for reading in self.readings:
            if reading.measure in ("across", "down", "normal"):
                places.setdefault(reading.feature, []).append(reading.error)
        return np.array([float(np.hypot.reduce(errors)) for errors in places.values()])


def compare_shot(shot: Shot) -> Outcome:
    """Compare a shot as an artist would and hold it against the truth."""
    options = {"sheet": shot.motif.sheet_name, **shot.options}
    settings = Settings(detector=dict(shot.motif.options))
    try:
        result = compare(_prepared(shot, settings), shot.drawing, shot.motif.subject, config=settings, **options)
    except FeaturediffError as error:
        return Outcome(shot, error=error)
    sheet = result.report.sheet
    known = sheet.squared and sheet.size_mm is not None and sheet.unit == "mm"
    geometry = sheet_errors(sheet, shot.photo, shot.shift_mm) if known and shot.whole else None
    return Outcome(shot, result, None, readings(result, shot.true_mm, settings) if known else (), geometry)


_PREPARED: dict[tuple[str, int], Prepared] = {}


def _prepared(shot: Shot, settings: Settings):
    """The motif's own reference made ready once; any other as it is."""
    if shot.reference is not shot.motif.scene.pixels:
        return shot.reference
    key = (shot.motif.subject, shot.motif.seed)
    if key not in _PREPARED:
        _PREPARED.clear()
        _PREPARED[key] = prepare(shot.reference, replace(settings, subject=shot.motif.subject))
    return _PREPARED[key]


def readings(
    result: Comparison, true_mm: Callable[[np.ndarray], np.ndarray], settings: Settings | None = None
) -> tuple[Reading, ...]:
    """Every measure of every found feature against the truth: a measure is linear, so its error is that of the located points."""
    compared = compare_features(result.subject, result.located, result.report.lineup, result.report.sheet, settings or Settings())
    return tuple(reading for each in compared for reading in _of(each, true_mm(each.feature.points)))


def _of(each: Compared, true: np.ndarray):
    wrong = np.where(np.isfinite(each.sigma)[:, None], np.asarray(each.located.points_mm, float) - true, 0.0)
    for m in each.measures:
        error = float((m.weights * wrong).sum())
        yield Reading(
            each.feature.name,
            form_of(each.feature),
            m.name,
            m.unit,
            error,
            m.own,
            m.sigma,
            m.cautious_own,
            m.cautious,
            each.located.quality,
            m.tolerance,
            m.value,
        )


def sheet_errors(sheet: Sheet, photo: Photo, shift_mm: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """(n,) true errors in mm of places all over a squared sheet. ``shift_mm``: the place of its (0, 0) on the drawn paper."""
    width, height = sheet.size_mm
    at = np.linspace(0.05, 0.95, 9)
    places = np.array([(x * width, y * height) for x in at for y in at])
    return np.hypot(*(apply(sheet.to_mm, photo.project(places + shift_mm)) - places).T)
