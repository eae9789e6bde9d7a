"""What became of each sheet, kept beside its report, so that a later run does only what is missing or has changed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from featurediff import __version__
from featurediff.classroom import files
from featurediff.errors import PieceError
from featurediff.habits.reading import drawn
from featurediff.habits.records import Drawn
from featurediff.piece.encode import flat
from featurediff.plainfiles import read_plain
from featurediff.settings import Settings

STATE, REPORT = "done.json", "report.json"
FORMAT, VERSION = "featurediff-class-sheet", 1
COMPARED, REFUSED, FAILED = "compared", "refused", "failed"
_LARGEST = 20_000_000


@dataclass(frozen=True)
class Outcome:
    """What became of a sheet: "compared", "refused" (the picture can't be compared, why and what to do), or "failed"
    (something else
    went wrong; tried again by the next run)."""

    number: int
    what: str
    why: str = ""
    remedy: str = ""
    seconds: float = 0.0


@dataclass(frozen=True)
class Read:
    """A compared sheet for the summary: its measures, how many items are to be fixed and how many can wait."""

    drawn: Drawn
    now: int
    later: int


def folder_of(out: Path, number: int) -> Path:
    """Where a sheet's report lies."""
    return out / f"sheet-{number:03d}"


def key_of(content: str, reference: str, settings: Settings, detector: str) -> str:
    """What a result depends on: picture, reference, settings, a detector's file, and this version of featurediff."""
    parts = [__version__, content, reference, detector, json.dumps(flat(settings), sort_keys=True, default=str)]
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def done(out: Path, number: int, key: str) -> Outcome | None:
    """What an earlier run made of this very sheet with these settings, or None when it is to be compared."""
    folder = folder_of(out, number)
    state = _json(folder / STATE)
    try:
        if state["format"] != FORMAT or state["version"] != VERSION or state["key"] != key:
            return None
        outcome = Outcome(number, str(state["outcome"]), str(state["why"]), str(state["remedy"]))
    except (KeyError, TypeError):
        return None
    if outcome.what == COMPARED:
        return outcome if read(out, number) is not None else None
    return outcome if outcome.what == REFUSED else None


def begin(out: Path, number: int) -> Path:
    """The sheet's folder, with what an earlier run left of another state taken out. Raises CompareError."""
    folder = folder_of(out, number)
    files.make_folder(folder)
    files.clear(folder)
    try:
        for name in (STATE, REPORT, "report.png", "numbers.png", "report.html"):
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise files.cannot_write(folder.name, error) from None
    return folder


def finish(out: Path, outcome: Outcome, key: str) -> None:
    """Written last: with this file the sheet is done. Raises CompareError."""
    state = {
        "format": FORMAT,
        "version": VERSION,
        "key": key,
        "outcome": outcome.what,
        "why": outcome.why,
        "remedy": outcome.remedy,
    }
    files.put(folder_of(out, outcome.number) / STATE, (json.dumps(state, indent=1) + "\n").encode("ascii"))


def read(out: Path, number: int) -> Read | None:
    """The report of a compared sheet, or None when it can't be used."""
    report = _json(folder_of(out, number) / REPORT)
    with suppress(PieceError, KeyError, TypeError):
        return Read(drawn(report, f"sheet {number}"), len(report["corrections"]), len(report["later"]))
    return None


def _json(path: Path) -> Mapping[str, Any]:
    try:
        found = json.loads(read_plain(path, _LARGEST).decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
