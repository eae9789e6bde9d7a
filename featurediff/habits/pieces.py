"""The first rounds of many pieces: drawings as they were before any correction."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from featurediff.errors import CallError, PieceError
from featurediff.habits.reading import drawn
from featurediff.habits.records import Drawn
from featurediff.piece import store


@dataclass(frozen=True)
class Found:
    """First drawings, and what was passed over with the reason."""

    drawings: tuple[Drawn, ...]
    passed_over: tuple[str, ...]


def first_drawings(folders: Sequence[str | Path]) -> Found:
    """The first round of every piece in ``folders``: pieces, or folders that hold pieces. One that can't be used is passed over.

    Raises CallError when a folder is no piece and holds none.
    """
    drawings, passed_over = [], []
    for folder in _pieces(folders):
        try:
            piece = store.load(folder)
            if not piece.rounds:
                passed_over.append(f"'{folder.name}' has no round yet.")
                continue
            # What was drawn so on purpose is no habit.
            meant = {reading.key for kept in piece.kept for reading in kept.readings}
            drawings.append(drawn(piece.rounds[0].report, folder.name, meant))
        except PieceError as error:
            passed_over.append(f"'{folder.name}': {error.what}")
    return Found(tuple(drawings), tuple(passed_over))


def _pieces(folders: Sequence[str | Path]) -> list[Path]:
    found: dict[Path, Path] = {}
    for given in folders:
        folder = Path(given)
        inside = [folder] if store.exists(folder) else _inside(folder)
        if not inside:
            raise CallError(
                f"'{given}' is no piece and holds none.",
                "Name folders made by 'featurediff check REFERENCE DRAWING --piece DIR', or the folder that holds them.",
            )
        for each in inside:
            found.setdefault(each.resolve(), each)  # named twice, it is still one drawing
    return list(found.values())


def _inside(folder: Path) -> list[Path]:
    try:
        return sorted(each for each in folder.iterdir() if os.path.isdir(each) and store.exists(each))
    except FileNotFoundError:
        raise CallError(f"There is no folder '{folder}'.", "Check the path and the spelling.") from None
    except NotADirectoryError:
        raise CallError(f"'{folder}' is a file.", "Name the folder of a piece.") from None
    except (OSError, ValueError) as error:  # ValueError: a name that no folder can have
        why = getattr(error, "strerror", None) or error
        raise CallError(f"The folder '{folder}' can't be read: {why}.", "Check its permissions.") from None
