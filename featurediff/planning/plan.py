"""A plan, start to finish: the reference and what was found on it in, lengths on the sheet out."""

from __future__ import annotations

from featurediff.pictures import Taking
from featurediff.planning.lengths import lengths
from featurediff.planning.placing import fit_remarks, lying, place
from featurediff.planning.records import Plan
from featurediff.planning.reference import remarks
from featurediff.planning.relations import relations
from featurediff.records import Advice, Picture, Subject
from featurediff.sheet.sizes import sheet_name

WHOLE_HEIGHT = "height of the whole"
# A subject that leans less than this looks upright.
_LEANS_DEG = 2.0


def make_plan(
    name: str,
    picture: Picture,
    subject: Subject,
    taken: Taking,
    sheet_mm: tuple[float, float],
    *,
    orientation: str | None = None,
    height_mm: float | None = None,
    top_mm: float | None = None,
    left_mm: float | None = None,
) -> Plan:
    """The plan of a subject ``name`` on a sheet; see `placing.place` for the lengths in mm."""
    height, width = picture.pixels.shape[:2]
    lies = lying(sheet_mm, (width, height), orientation)
    placed = place(subject, (width, height), lies, height_mm, top_mm, left_mm)
    px_per_mm = 1.0 / placed.scale
    label = subject.size_label if subject.starts else WHOLE_HEIGHT
    return Plan(
        name,
        sheet_name(sheet_mm),
        label,
        placed,
        lengths(subject, placed),
        relations(subject, placed),
        (*fit_remarks(placed, label), *_lean(subject), *remarks(picture, subject, taken, px_per_mm)),
        px_per_mm,
    )


def _lean(subject: Subject) -> tuple[Advice, ...]:
    if abs(subject.axis_deg) < _LEANS_DEG:
        return ()
    side = "right" if subject.axis_deg > 0 else "left"
    text = f"The subject leans {abs(subject.axis_deg):.0f} degrees to the {side}: draw it so. Lengths run along the edges."
    return (Advice("note", text),)
