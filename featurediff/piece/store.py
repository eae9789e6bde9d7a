"""The folder of a piece.

    DIR/
      piece.json                    settings of all rounds
      reference.jpg or .png         a copy of the reference, without camera data
      kept.json                     what the artist drew so on purpose
      round-0001/ round-0002/ ...   each with round.json and drawing.jpg (the sheet seen square on)
      report.html                   the latest round's page, when no other folder was named for it
      progress.jpg                  written by `featurediff progress`
      lock                          empty; held while something is written

A round is made ready in a folder of another name and becomes part of the piece by one rename, after all of it is on the disk. So
whenever a run is stopped, every round is there whole or not at all. No file holds a path, a user's name or camera data.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import stat
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from featurediff.errors import CallError, PieceError
from featurediff.piece import decode, encode, files
from featurediff.piece.lock import NAME as LOCK
from featurediff.piece.lock import locked
from featurediff.piece.records import Kept, Piece, Round
from featurediff.settings import Settings

PIECE, KEPT, ROUND, DRAWING, PROGRESS = "piece.json", "kept.json", "round.json", "drawing.jpg", "progress.jpg"
PAGE = "report.html"  # of the latest round
REFERENCES = ("reference.jpg", "reference.png")
MOST_ROUNDS = 999
_MOST_NAMES = 20_000
_TRIES = 20
_ROUND_NAME = re.compile(r"round-(\d{4})\Z")
_READY = ".round-"  # what a round's folder is called until it is whole


# ---------------------------------------------------------------- reading


def exists(folder: Path) -> bool:
    """Whether a piece was begun in the folder."""
    return os.path.lexists(folder / PIECE)


def load(folder: Path) -> Piece:
    """The piece in a folder. Raises PieceError, CallError when there is none."""
    try:
        head = decode.piece_of(_document(folder, PIECE, encode.PIECE))
    except FileNotFoundError:
        raise CallError(
            f"There is no piece in '{folder}'.",
            "Begin one: featurediff check REFERENCE DRAWING --subject NAME --piece DIR",
        ) from None
    return replace(head, rounds=load_rounds(folder), kept=load_kept(folder))


def load_rounds(folder: Path) -> tuple[Round, ...]:
    """All rounds in order. Raises PieceError."""
    rounds = []
    for number in round_numbers(folder):
        name = f"{round_name(number)}/{ROUND}"
        try:
            found = decode.round_of(_document(folder, name, encode.ROUND))
        except FileNotFoundError:
            raise PieceError(f"'{name}' of the piece is missing.", f"Take the folder '{round_name(number)}' out of it.") from None
        rounds.append(replace(found, number=number))
    return tuple(rounds)


def load_kept(folder: Path) -> tuple[Kept, ...]:
    """What the artist keeps. Raises PieceError."""
    try:
        return decode.kept_of(_document(folder, KEPT, encode.KEPT))
    except FileNotFoundError:
        return ()


def reference_of(folder: Path) -> Path:
    """The copy of the reference. Raises PieceError."""
    for name in REFERENCES:
        path = folder / name
        try:
            files.check_plain(path, stat.S_ISREG, "file")
        except FileNotFoundError:
            continue
        if path.stat().st_size > files.LARGEST_PICTURE:
            raise PieceError(f"'{name}' of the piece is too large.", "It was not written by featurediff; remove it.")
        return path
    raise PieceError("The reference is missing from the piece.", f"Put a copy of it there as {' or '.join(REFERENCES)}.")


def drawing_of(folder: Path, number: int) -> bytes:
    """The picture of a round, as JPEG. Raises PieceError."""
    try:
        return files.read(folder / round_name(number) / DRAWING, files.LARGEST_PICTURE)
    except FileNotFoundError:
        raise PieceError(f"'{round_name(number)}/{DRAWING}' of the piece is missing.", "Restore it from a copy.") from None


def round_name(number: int) -> str:
    """The name of a round's folder."""
    return f"round-{number:04d}"


def round_numbers(folder: Path) -> list[int]:
    """The numbers of the rounds there are. Raises PieceError."""
    numbers = sorted(int(found[1]) for name in _names(folder) if (found := _ROUND_NAME.match(name)))
    for number in numbers:
        files.check_plain(folder / round_name(number), stat.S_ISDIR, "folder")
    return numbers


def _names(folder: Path) -> list[str]:
    names = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                names.append(entry.name)
                if len(names) > _MOST_NAMES:
                    raise PieceError(f"The folder '{folder}' holds too many files to be a piece.", "Name the right folder.")
    except OSError as error:
        raise PieceError(f"The folder '{folder}' can't be read: {error.strerror or error}.", "Check its permissions.") from None
    return names


def _document(folder: Path, name: str, kind: str) -> decode.Fields:
    return decode.document(files.read(folder / name, files.LARGEST_JSON), kind, name)


# ---------------------------------------------------------------- writing


def prepare(folder: Path) -> None:
    """Make sure, before the slow part, that a piece can be begun or gone on with here. Raises CallError, PieceError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise CallError(f"'{folder}' is a file, or lies inside one.", "Name a folder after --piece.") from None
    except OSError as error:
        raise files.cannot_write(str(folder), error) from None
    foreign = [] if exists(folder) else [name for name in _names(folder) if not _is_ours(name)]
    if foreign:
        raise CallError(f"'{folder}' holds other files and no piece.", "Name a new or an empty folder after --piece.")
    probe = folder / f".new-{os.getpid()}-probe"
    try:
        files.write_through(probe, b"")
    except OSError as error:
        raise files.cannot_write(str(folder), error) from None
    finally:
        probe.unlink(missing_ok=True)


def _is_ours(name: str) -> bool:
    """Names that a run stopped at any moment may have left."""
    return name in (*REFERENCES, LOCK, PROGRESS, PAGE, KEPT) or name.startswith((".new-", _READY))


def add_round(
    folder: Path,
    drawing: bytes,
    judge: Callable[[Piece], Round],
    begin: tuple[Settings, str, bytes] | None = None,
) -> Round:
    """Judge a photograph against the rounds there are and make it the next one. Raises PieceError.

    ``drawing``: its squared picture as JPEG. ``judge`` is called under the lock with the piece as it is then. ``begin``:
    settings, file name and bytes of the reference, for a piece that is not begun yet.
    """
    with locked(folder) as alone:
        if alone:
            _clear(folder)
        if begin is not None:
            _begin(folder, *begin)
        for _ in range(_TRIES):
            record = judge(load(folder))
            if record.number > MOST_ROUNDS:
                raise PieceError(f"The piece has {MOST_ROUNDS} rounds, which is the most it can hold.", "Begin a new one.")
            if _put(folder, record, drawing):
                return record
            # Where the system can't lock, another run may have been quicker: judge anew, against its round.
        raise PieceError("Other runs keep adding rounds to this piece.", "Wait until they are done, then try again.")


def _begin(folder: Path, settings: Settings, name: str, reference: bytes) -> None:
    if exists(folder) and round_numbers(folder):
        raise PieceError("Another run has just begun a piece here.", "Check the photograph again without the reference.")
    kept, left_out = encode.without_paths(settings)
    for other in REFERENCES:
        if other != name:
            (folder / other).unlink(missing_ok=True)
    files.write(folder / name, reference)
    # Last: with this file the piece is begun.
    files.write(folder / PIECE, encode.to_bytes(encode.piece_document(kept, left_out)))


def _put(folder: Path, record: Round, drawing: bytes) -> bool:
    """Make a round part of the piece; False when there is one of its number by now."""
    ready = folder / f"{_READY}{os.getpid()}-{secrets.token_hex(4)}"
    try:
        os.mkdir(ready)
        files.write_through(ready / DRAWING, drawing)
        files.write_through(ready / ROUND, encode.to_bytes(encode.round_document(record)))
        files.sync_folder(ready)
        os.rename(ready, folder / round_name(record.number))
        files.sync_folder(folder)
    except OSError as error:
        files.remove_folder(ready, (DRAWING, ROUND))
        if error.errno in (errno.EEXIST, errno.ENOTEMPTY):
            return False
        raise files.cannot_write(round_name(record.number), error) from None
    except BaseException:
        files.remove_folder(ready, (DRAWING, ROUND))
        raise
    return True


def _clear(folder: Path) -> None:
    """Take away what runs that were stopped have left. Called under the lock, so nothing of it is in use."""
    for name in _names(folder):
        if name.startswith(_READY) and not (folder / name).is_symlink():
            files.remove_folder(folder / name, (DRAWING, ROUND))
        elif name.startswith(".new-"):
            files.forget(folder / name)


def change_kept(folder: Path, change: Callable[[Piece], Sequence[Kept]]) -> tuple[Kept, ...]:
    """Put what ``change`` makes of the piece in place of the kept items. Raises PieceError."""
    with locked(folder):
        kept = tuple(change(load(folder)))
        files.write(folder / KEPT, encode.to_bytes(encode.kept_document(kept)))
        return kept
