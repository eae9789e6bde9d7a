"""What a command prints, and the files it writes into the ``--out`` folder - nowhere else."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurediff.errors import CallError, FeaturediffError
from featurediff.naming import printable
from featurediff.plainfiles import new_beside

if TYPE_CHECKING:
    from featurediff.comparison import Comparison
    from featurediff.records import Report
    from featurediff.report.page_notes import RoundNotes


def print_report(report: Report, form: str, more: Mapping[str, Any] | None = None) -> None:
    """Print the report as "text" or "json", which also holds what is in ``more``."""
    if form == "json":
        print(report_json(report, more))
        return
    from featurediff.report.text import render

    print(render(report).rstrip("\n"))


def report_json(report: Report, more: Mapping[str, Any] | None = None) -> str:
    """The report, and ``more``, as JSON text in plain ASCII, so that no terminal or pipe can spoil it."""
    return json.dumps({**report.to_dict(), **(more or {})}, indent=2, allow_nan=False)


def prepare_folder(out: str | Path) -> Path:
    """Make the output folder and make sure that it can be written to, before the slow part. Raises CallError."""
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        new_beside(folder / "featurediff").unlink()
    except (FileExistsError, NotADirectoryError) as error:
        raise CallError(f"The output folder '{out}' is a file, or lies inside one.", "Name a folder after --out.") from error
    except (OSError, ValueError) as error:  # ValueError: a name that no folder can have
        why = getattr(error, "strerror", None) or error
        raise CallError(f"The output folder '{out}' can't be written to: {why}.", "Name another folder after --out.") from error
    return folder


def write_report(
    comparison: Comparison, folder: Path, more: Mapping[str, Any] | None = None, notes: RoundNotes | None = None, name: str = ""
) -> None:
    """Write report.json (with ``more`` in it), report.html, report.png; numbers.png where the subject's features are numbered.

    ``notes`` of the round and the drawing's file ``name`` are told on the page. Raises FeaturediffError.
    """
    from featurediff.report.numbers import draw_numbers
    from featurediff.report.picture import draw

    report, subject = comparison.report, comparison.subject
    text, page = report_json(report, more) + "\n", page_of(comparison, notes, name)
    write_atomically(folder / "report.json", lambda path: path.write_text(text, encoding="utf-8"))
    write_atomically(folder / "report.html", lambda path: path.write_bytes(page))
    write_atomically(folder / "report.png", lambda path: draw(report, comparison.squared, comparison.px_per_unit, path))
    if subject.numbered:
        write_atomically(folder / "numbers.png", lambda path: draw_numbers(subject, comparison.reference, path))


def page_of(comparison: Comparison, notes: RoundNotes | None = None, name: str = "") -> bytes:
    """The page of a comparison as the bytes of its file."""
    from featurediff.report.page import page

    each, name = comparison, printable(name)
    html = page(each.report, each.squared, each.px_per_unit, each.reference, each.subject, each.located, notes, name)
    return html.encode("utf-8")


def write_atomically(path: Path, write: Callable[[Path], object]) -> None:
    """Call ``write`` with a temporary path beside ``path`` and put the result in place: all of the file or nothing of it.

    Raises FeaturediffError when the file can't be written.
    """
    temporary = None
    try:
        temporary = new_beside(path)
        write(temporary)
        os.replace(temporary, path)
    except OSError as error:
        raise FeaturediffError(
            f"'{path}' can't be written: {error.strerror or error}.", "Make room or name another folder after --out."
        ) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
