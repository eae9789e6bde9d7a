"""Draw a reference with known moves of its features, compare, and hold what the engine says against the truth."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from featurediff.comparison import Prepared, compare
from featurediff.errors import CompareError
from featurediff.geometry import apply, normals, similarity_matrix
from featurediff.handover import calls
from featurediff.records import Feature, Located, Picture, Subject
from featurediff.settings import Settings, SheetSettings
from featurediff.testing.hands import Placement, SimulatedSheet, draw
from featurediff.testing.kit import advice, moves
from featurediff.testing.kit.advice import class_limit_mm
from featurediff.testing.kit.mistaken import taken_for
from featurediff.testing.kit.pictures import own, scene_of, shrunk
from featurediff.testing.kit.records import Measured, Row
from featurediff.testing.scenes import Scene

if TYPE_CHECKING:
    from featurediff.api import Detector

HANDS = ("clean", "tonal")
DRAWINGS, QUICK_DRAWINGS = 8, 3
SHEET_MM, MARGIN_MM, TURN_DEG, PX_PER_MM = (210.0, 297.0), 18.0, 1.5, 6.0
# A feature counts in a drawing when it was moved as a whole, or not at all: its own points' moves differ by less than this.
EVEN_MM = 0.5
# The share of a line, by its normals, that must tell of a direction before anything is said of it.
TELLING = 0.15
# The least move of which a gain is taken.
MOVED_MM = 1.2

Progress = Callable[[str], None]


@dataclass
class _Tally:
    """What the drawings said of one feature. ``gains``: (measured along the true move, true move) mm; ``reasons``: why it was not
    found; ``mistakes``: what it was taken for where it was found in the wrong place (see `mistaken.taken_for`)."""

    drawn: int = 0
    found: int = 0
    errors: list[float] = field(default_factory=list)
    gains: list[tuple[float, float]] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)
    mistakes: list[tuple[str, str]] = field(default_factory=list)
    false_items: int = 0


def measured(
    detector: Detector,
    reference: Any,
    *,
    settings: Mapping[str, Any] | None = None,
    drawings: int | None = None,
    quick: bool = False,
    scene: Scene | None = None,
    keep: str | Path | None = None,
    progress: Progress = lambda what: None,
) -> Measured:
    """The table for one reference: a path, a `Picture`, or pixels (h, w, 3) uint8 RGB.

    Of ``drawings`` (8, or 3 when ``quick``) the first two (one) are perfect copies; in the others some features are moved by 2 %
    of the subject's size each. They are drawn on A4 by two unlike hands in turns, from the reference's own edges and tones, or
    from the exact lines of a ``scene``, and scanned; no camera is simulated, since that is not the detector's matter. The same
    call gives the same table. ``keep``: a folder for a picture of each drawing with what is true and what was found.

    Raises DetectorError, and SubjectError when the detector finds nothing.
    """
    given = dict(settings or {})
    picture = picture_of(reference)
    picture = calls.prepare(detector, picture, given)
    begun = time.perf_counter()
    subject = calls.find(detector, picture, given)
    find_s = time.perf_counter() - begun
    if scene is None or scene.pixels.shape != picture.pixels.shape or not np.array_equal(scene.pixels, picture.pixels):
        scene = scene_of(picture, subject)
    return _measured(Prepared(detector, picture, subject), scene, given, drawings or (QUICK_DRAWINGS if quick else DRAWINGS),
                     find_s, Path(keep) if keep is not None else None, progress)  # fmt: skip


def picture_of(reference: Any) -> Picture:
    """A reference given as a path, a `Picture` or pixels, no larger than drawings of it need. Raises PictureError."""
    if isinstance(reference, Picture):
        return reference
    if isinstance(reference, np.ndarray):
        from featurediff.pictures import read_picture

        return shrunk(read_picture(reference))
    return own(reference)


def _measured(
    prepared: Prepared, scene: Scene, given: dict, drawings: int, find_s: float, keep: Path | None, progress: Progress
) -> Measured:
    subject, shape = prepared.subject, prepared.picture.pixels.shape[:2]
    placement = placed(subject, shape)
    copies = min(2 if drawings > 3 else 1, drawings)
    chosen = [[] for _ in range(copies)] + moves.rounds(subject, drawings - copies)
    tallies = [_Tally() for _ in subject.features]
    items: list[str] = []
    failures: list[str] = []
    seconds: list[tuple[float, float]] = []
    for turn, moved in enumerate(chosen):
        progress(f"drawing {turn + 1} of {drawings}")
        warp = moves.moving(subject, moved, shape, turn) if moved else None
        hand = HANDS[turn % len(HANDS)]
        sheet = draw(scene, warp, hand=hand, placement=placement, seed=turn, px_per_mm=PX_PER_MM)
        begun = time.perf_counter()
        try:
            comparison = compare(prepared, sheet.pixels, config=_settings(prepared, placement, given))
        except CompareError as error:
            failures.append(f"{hand} hand: {error.what}")
            for tally in tallies:
                tally.drawn += 1
                tally.reasons.append(error.what)
            continue
        seconds.append((time.perf_counter() - begun, comparison.report.seconds.get("locate", 0.0)))
        for k, (tally, place) in enumerate(zip(tallies, comparison.located, strict=True)):
            _note(k, tally, place, sheet, subject)
        if keep is not None:
            from featurediff.testing.kit import kept

            keep.mkdir(parents=True, exist_ok=True)
            kept.keep(keep / f"{Path(prepared.picture.name).stem}-{turn + 1}-{hand}.png", sheet, subject, comparison.located)
        if not moved:
            listed = (*comparison.report.corrections, *comparison.report.later)
            items += [item.text for item in listed]
            for each, tally in zip(subject.features, tallies, strict=True):
                tally.false_items += sum(each.name in item.explains for item in listed)
    mm = placement.mm_per_px
    hints = advice.Hints(prepared.picture.pixels, subject, mm)
    rows = tuple(_row(k, each, tally, hints) for k, (each, tally) in enumerate(zip(subject.features, tallies, strict=True)))
    engine_s, locate_s = (float(np.median([s[i] for s in seconds])) if seconds else 0.0 for i in (0, 1))
    return Measured(
        prepared.picture.name, rows, subject.size_px * mm, drawings, copies, tuple(items), find_s, engine_s,
        1000 * locate_s / len(rows), tuple(failures),
    )  # fmt: skip


def placed(subject: Subject, shape: tuple[int, int]) -> Placement:
    """Where the subject lies on A4: as large as the margins allow, upright or across, a little turned."""
    everything = np.vstack([subject.region, *(f.points for f in subject.features)])
    everything = np.clip(everything, 0, [shape[1] - 1, shape[0] - 1])
    wide, high = np.maximum(np.ptp(everything, axis=0), 1.0)
    sheet = SHEET_MM if high >= wide else SHEET_MM[::-1]
    scale = float(min((sheet[0] - 2 * MARGIN_MM) / wide, (sheet[1] - 2 * MARGIN_MM) / high))
    middle = apply(similarity_matrix(scale, TURN_DEG, (0.0, 0.0)), (everything.min(0) + everything.max(0))[None] / 2)[0]
    return Placement(sheet, scale, TURN_DEG, (float(sheet[0] / 2 - middle[0]), float(sheet[1] / 2 - middle[1])))


def _settings(prepared: Prepared, placement: Placement, given: dict) -> Settings:
    size = "x".join(f"{side:g}" for side in placement.sheet_mm) + "mm"
    return replace(Settings(), subject=prepared.detector.name, sheet=SheetSettings(size=size, scan=True), detector=given)


def _note(k: int, tally: _Tally, place: Located, sheet: SimulatedSheet, subject: Subject) -> None:
    """Hold the ``k``-th feature's place against the truth."""
    each = subject.features[k]
    meant, true = apply(sheet.placement.matrix, each.points), sheet.true_mm(each.points)
    move = true - meant
    if float(np.hypot(*np.ptp(move, axis=0))) > EVEN_MM:
        return
    tally.drawn += 1
    if not place.found:
        tally.reasons.append(place.why)
        return
    tally.found += 1
    across = _normals(each, true)
    tally.errors.append(float(np.hypot(*_shift(place.points_mm - true, across))))
    if tally.errors[-1] > class_limit_mm(each, subject.size_px * sheet.placement.mm_per_px):
        tally.mistakes.append(taken_for(k, place.points_mm, subject, sheet))
    wanted = _shift(move, across)
    length = float(np.hypot(*wanted))
    if length > MOVED_MM:
        tally.gains.append((float(_shift(place.points_mm - meant, across) @ wanted) / length, length))


def _normals(each: Feature, at: np.ndarray) -> np.ndarray | None:
    """(n, 2) of a feature that is known only across itself, else None."""
    return normals(at, each.closed) if len(at) > 1 and (each.slides or each.kind == "segment") else None


def _shift(moved: np.ndarray, across: np.ndarray | None) -> np.ndarray:
    """(2,): the one shift that tells (n, 2) moves best; with normals, from what is seen across the line alone."""
    if across is None:
        return moved.mean(0)
    # What the normals hardly tell is left out: along a line with little bend, small errors across would count many times over.
    shares, ways = np.linalg.eigh(across.T @ across / len(across))
    b = across.T @ (across * moved).sum(1) / len(across)
    return sum((way * (way @ b) / share for share, way in zip(shares, ways.T, strict=True) if share > TELLING), np.zeros(2))


def _row(k: int, each: Feature, tally: _Tally, hints: advice.Hints) -> Row:
    true = sum(t for _, t in tally.gains)
    row = Row(
        feature=each.name,
        drawn=tally.drawn,
        found=tally.found,
        moved=len(tally.gains),
        gain=sum(m for m, _ in tally.gains) / true if true else None,
        error_mm=float(np.median(tally.errors)) if tally.errors else None,
        worst_mm=max(tally.errors, default=None),
        false_items=tally.false_items,
    )
    return replace(row, advice=advice.advise(k, row, tally.reasons, tally.mistakes, hints))
