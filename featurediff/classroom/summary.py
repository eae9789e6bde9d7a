"""What is told of a class: text, data and a picture, by numbers only - no name stands in any of them."""

from __future__ import annotations

import statistics
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from featurediff.classroom import sheets
from featurediff.classroom.run import Class
from featurediff.classroom.sheets import COMPARED, Read
from featurediff.habits import words
from featurediff.habits.records import Shared
from featurediff.habits.tendencies import shared
from featurediff.report.text import WIDTH

SCHEMA = "featurediff-class-1"
NOTHING = "The sheets share no error: what is to be done differs from sheet to sheet."


@dataclass(frozen=True)
class Summary:
    """The compared sheets by number, how many there are in all, and what they share."""

    subject: str
    total: int
    read: dict[int, Read]
    shared: tuple[Shared, ...]
    size: float | None
    size_label: str


def summary_of(out: Path, found: Class, subject: str) -> Summary:
    """Read the reports and look for what they have in common."""
    read = {}
    for number, outcome in sorted(found.outcomes.items()):
        each = sheets.read(out, number) if outcome.what == COMPARED else None
        if each is not None:
            read[number] = each
    drawings = {number: each.drawn for number, each in read.items()}
    sizes = [each.size for each in drawings.values() if each.size is not None]
    label = next(iter(drawings.values())).size_label if drawings else ""
    return Summary(subject, len(found.entries), read, shared(drawings), statistics.median(sizes) if sizes else None, label)


def title(summary: Summary) -> str:
    """ "faces: 12 sheets of one reference, 11 compared"."""
    sheets_ = f"{summary.total} sheet" + ("" if summary.total == 1 else "s")
    compared = "" if len(summary.read) == summary.total else f", {len(summary.read)} compared"
    return f"{summary.subject}: {sheets_} of one reference{compared}"


def text(summary: Summary) -> str:
    """What the class shares, then each sheet by its number."""
    lines = [f"{title(summary)}."]
    lines += [_wrap(f"  {_line(each, summary)}", 4) for each in summary.shared] or ([NOTHING] if summary.read else [])
    if summary.shared:
        size = f", on the middle sheet's {summary.size_label} of {summary.size:.0f} mm" if summary.size else ""
        lines.append(_wrap(f"A sheet counts when it is off by more than its limit. % are of the {summary.size_label}{size}."))
    lines.append("")
    lines += [f"  sheet {number:3d}: {_items(each)}" for number, each in summary.read.items()]
    return "\n".join(lines)


def _line(each: Shared, summary: Summary) -> str:
    size = summary.size if each.unit == "%" else None
    return f"{words.shared_sentence(each)} By {words.amount(each.mean, each.unit, size)} on average."


def _items(each: Read) -> str:
    later = f", {each.later} can wait" if each.later else ""
    return (f"{each.now} to fix" if each.now else "nothing to fix") + later


def data(summary: Summary) -> dict[str, Any]:
    """The same for machines."""
    return {
        "schema": SCHEMA,
        "subject": summary.subject,
        "sheets": summary.total,
        "compared": len(summary.read),
        "size_label": summary.size_label,
        "shared": [words.shared_data(each) for each in summary.shared],
        "by_sheet": [{"number": number, "to_fix": each.now, "can_wait": each.later} for number, each in summary.read.items()],
    }


def picture(summary: Summary) -> bytes:
    """The chart as PNG."""
    from featurediff.habits.chart import shared_chart

    return shared_chart(title(summary), summary.shared, NOTHING)


def _wrap(told: str, indent: int = 0) -> str:
    return textwrap.fill(told, WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
