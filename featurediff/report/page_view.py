"""All that the page tells, as plain records for its template: texts, places, pictures."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from featurediff import geometry
from featurediff.records import Correction, Feature, Located, Report, Subject
from featurediff.report import text
from featurediff.report.data import undecided
from featurediff.report.page_marks import Mark, marks
from featurediff.report.page_notes import RoundNotes
from featurediff.report.page_pictures import PagePicture, darkness, drawing_picture, evenly_lit, reference_picture
from featurediff.report.page_print import PrintForm, Texts, print_form
from featurediff.report.page_tags import SIZE, Tag, named, station_tags, tags
from featurediff.report.page_window import Lit, Window, aim, lit, reference_to_sheet, sheet_extent, windows

# Up to so many lines, the list stays in sight beside the pictures.
FEW = 3
_CAPTION = 300  # letters under the drawing, at most
# The lines of the list are printed on paper: a careful word for each thing that can go wrong there (common practice, no source).
CAUTIONS = (
    text.CARE[0].upper() + text.CARE[1:],
    "Correct one place twice at most.",
    "Check each change by eye before you erase: the list is yours to ignore.",
    "Fixative: outdoors or at an open window, away from flames; read its label.",
)
SITTER = (
    "The reference picture is in this page and shows your sitter, if it shows anyone: ask them before you pass the page on. "
    "The printed page leaves it out."
)


@dataclass(frozen=True)
class Line:
    """One line of the list, with its marks and lit places.

    ``state``: what became of it since the round before. ``aim``: where its spot belongs. ``parts``: numbers of the parts that it
    names by number.
    """

    rank: int
    text: str
    check: str
    state: str
    careful: bool
    mark: Mark
    lit: Lit
    aim: tuple[float, float]
    alt: str
    parts: tuple[int, ...] = ()


@dataclass(frozen=True)
class Pair:
    """The two pictures side by side, in one window."""

    window: Window
    reference: PagePicture
    turned: str
    tags_reference: tuple[Tag, ...] = ()
    tags_drawing: tuple[Tag, ...] = ()


@dataclass(frozen=True)
class View:
    """What the template shows."""

    title: str
    name: str
    unit: str
    window: Window
    sheet: Window
    margin: float
    drawing: PagePicture
    drawing_alt: str
    lines: tuple[Line, ...]
    lead: str
    later: tuple[tuple[str, str], ...]
    good: str
    good_count: int
    unsure: str
    not_judged: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]
    advice: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    notes: RoundNotes | None
    pair: Pair | None
    tags: tuple[Tag, ...]
    tag_size: float
    sitter: str
    part_shown: str
    printed: PrintForm
    few: bool

    @property
    def not_to_scale(self) -> bool:
        """Whether an arrow is drawn longer than its move."""
        return any(not line.mark.to_scale for line in self.lines)

    @property
    def looking(self) -> dict:
        """What the page's script needs to know: the window of the pictures, and where each spot belongs."""
        window = self.pair.window
        return {
            "x": round(window.x, 2),
            "y": round(window.y, 2),
            "width": round(window.width, 2),
            "height": round(window.height, 2),
            "unit": self.unit,
            "aims": {str(line.rank): [round(value, 2) for value in line.aim] for line in self.lines},
        }

    @property
    def to_scale(self) -> bool:
        """Whether an arrow is as long as its move."""
        return any(arrow.to_scale for line in self.lines for arrow in line.mark.arrows)


def view(
    report: Report,
    squared: np.ndarray,
    px_per_unit: float,
    reference: np.ndarray | None,
    subject: Subject | None,
    located: tuple[Located, ...],
    notes: RoundNotes | None,
    name: str,
) -> View:
    """Everything for the template. Arguments as for `featurediff.report.page.page`."""
    sheet = sheet_extent(squared, px_per_unit)
    window, pair_window = windows(report, subject, located, sheet)
    pair = _pair(report, reference, subject, located, pair_window)
    per_unit = 200.0 / max(sheet.width, sheet.height)
    even = evenly_lit(squared)
    dark = darkness(even, px_per_unit, per_unit)
    placed = marks(report.corrections, window, report.sheet.unit, dark, per_unit)
    lines = tuple(
        _line(each, mark, notes, lit(each, report, subject, located, pair_window), aim(each, report, subject, pair_window))
        for each, mark in zip(report.corrections, placed, strict=True)
    )
    parts = named(said for line in lines for said in (line.text, line.check))
    drawn = {number: curve for number, curve in _drawn_parts(subject, located).items() if number in parts}
    return View(
        title=_title(notes),
        name=name,
        unit=report.sheet.unit if report.sheet.unit == "mm" else f"% of the {report.size_label}",
        window=window,
        sheet=sheet,
        margin=7.0 * window.unit,
        drawing=drawing_picture(even, px_per_unit, window),
        drawing_alt=_drawing_alt(lines),
        lines=lines,
        lead=_lead(report),
        later=tuple((each.text, each.check) for each in report.later),
        good=_sentence(text.folded_names(report, report.good)),
        good_count=len(text.both_sides(report.good)),
        unsure=_sentence(text.told_names(report, undecided(report))),
        not_judged=_not_judged(report),
        facts=_facts(report),
        advice=tuple((each.level.capitalize(), each.text) for each in report.capture),
        cautions=CAUTIONS,
        notes=notes,
        pair=pair,
        tags=tags(drawn, window, SIZE * window.unit, placed),
        tag_size=SIZE,
        sitter=SITTER if pair else "",
        part_shown=_part_shown(window, sheet, report.sheet.unit),
        printed=_printed(report, lines, notes, window),
        few=len(lines) <= FEW,
    )


def _title(notes: RoundNotes | None) -> str:
    return "To-fix sheet" if notes is None else f"To-fix sheet, round {notes.number}"


def _line(each: Correction, mark: Mark, notes: RoundNotes | None, places: Lit, belongs: tuple[float, float]) -> Line:
    state = notes.states.get(each.rank, "") if notes else ""
    careful = notes is not None and each.rank in notes.careful
    parts = named((each.text, each.check))
    return Line(each.rank, each.text, each.check, state, careful, mark, places, belongs, _alt(each, mark), parts)


def _alt(each: Correction, mark: Mark) -> str:
    """What a mark says to who can't see it."""
    scale = "" if mark.to_scale or not mark.arrows else " The arrow is not to scale."
    return f"{each.rank}. {each.text}{scale}"


def _drawing_alt(lines: tuple[Line, ...]) -> str:
    if not lines:
        return "Your drawing, paled and seen square on. Nothing is marked on it."
    told = " ".join(f"{line.rank}. {line.text}" for line in lines)
    return f"Your drawing, paled and seen square on, with a number and an arrow beside each place to correct: {told}"


def _lead(report: Report) -> str:
    count = len(report.corrections)
    if count == 0:
        said = text.verdict(report)
        return f"Nothing that must be done now. {said}" if report.later else said
    return "One thing to fix." if count == 1 else f"{count} things to fix, in this order."


def _facts(report: Report) -> tuple[tuple[str, str], ...]:
    rows = (
        ("Sheet", re.sub(r"^Sheet:? ?", "", text.sheet_line(report))),
        ("Trust", text.trust_line(report)),
        ("Line-up", " ".join(part for part in (text.lineup_line(report), report.lineup.remark) if part)),
        ("Sides", text.sides_line(report)),
    )
    return tuple((label, _sentence(said)) for label, said in rows)


def _sentence(said: str) -> str:
    """With a capital and a full stop."""
    return said[:1].upper() + said[1:].rstrip(".") + "." if said else ""


def _not_judged(report: Report) -> tuple[tuple[str, str], ...]:
    by_reason: dict[str, list[str]] = {}
    for each in report.not_judged:
        by_reason.setdefault(each.why, []).append(each.feature)
    return tuple((text.told_names(report, tuple(names)), why) for why, names in by_reason.items())


def _pair(
    report: Report, reference: np.ndarray | None, subject: Subject | None, located: tuple[Located, ...], window: Window
) -> Pair | None:
    if reference is None:
        return None
    matrix = reference_to_sheet(report)
    picture = reference_picture(reference, matrix, window)
    if picture is None:
        return None
    turn = report.lineup.turn_deg
    turned = f", turned by {abs(turn):.0f} degrees as the drawing lies on the sheet" if abs(turn) >= 0.5 else ""
    numbered = dict(enumerate(subject.features, start=1)) if subject and subject.numbered else {}
    wanted = {k: (each, geometry.apply(matrix, each.points)) for k, each in numbered.items()}
    height = SIZE * window.unit
    along = station_tags(subject, wanted, height) if wanted else ()
    reference_tags = tags(wanted, window, height) + along
    return Pair(window, picture, turned, reference_tags, tags(_drawn_parts(subject, located), window, height))


def _drawn_parts(subject: Subject | None, located: tuple[Located, ...]) -> dict[int, tuple[Feature, np.ndarray]]:
    """Number -> feature and where it is drawn, of a subject whose parts have numbers."""
    if subject is None or not subject.numbered:
        return {}
    places = {place.feature: place.points_mm for place in located if place.found}
    numbered = enumerate(subject.features, start=1)
    return {k: (each, np.asarray(places[each.name], float)) for k, each in numbered if each.name in places}


def _part_shown(window: Window, sheet: Window, unit: str) -> str:
    if window == sheet:
        return ""
    if unit != "mm":
        return "Shown: the part of the sheet that is drawn on."
    return f"Shown: {window.width:.0f} x {window.height:.0f} mm of the sheet, around what is drawn."


def _printed(report: Report, lines: tuple[Line, ...], notes: RoundNotes | None, window: Window) -> PrintForm:
    told = [(line.text, line.check, f"{line.state} {'mind the paper here' if line.careful else ''}".strip()) for line in lines]
    said = (notes.summary, *notes.done, *notes.remarks, notes.care) if notes else ()
    facts = (*_facts(report), *((each.level, each.text) for each in report.capture))
    return print_form(Texts(told, tuple(filter(None, said)), facts, CAUTIONS, "x" * _CAPTION), window.width, window.height)
