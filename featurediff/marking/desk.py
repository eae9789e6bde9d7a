"""What stands between the marks page and the disk: which file is continued, what the page is given, how its marks are kept."""

from __future__ import annotations

import io
import math
import os
from pathlib import Path
from typing import Any

from featurediff.errors import CallError, FeaturediffError, MarksError
from featurediff.marking.read import FORMAT, LONGEST_NAME, read_marks
from featurediff.marking.records import VERSION, Marks
from featurediff.marking.server import Desk
from featurediff.marking.write import document, from_document, text_of
from featurediff.plainfiles import new_beside, read_plain
from featurediff.plainyaml import LARGEST_FILE

LONGEST_SHOWN = 4000  # px: a larger picture is shown smaller; marks stay in px of the picture itself
ENDING = ".marks.yaml"


def beside(reference: Path) -> Path:
    """Where marks go when nothing else is said: photo.jpg -> photo.marks.yaml in the same folder."""
    return reference.with_name(reference.stem + ENDING)


def open_desk(reference: Path, out: Path) -> Desk:
    """The desk of a reference, with the marks that ``out`` holds already. Raises PictureError, MarksError and CallError.

    ``out`` is written when the page saves, whole or not at all.
    """
    from featurediff.pictures import read_picture

    if out.suffix.lower() not in (".yaml", ".yml"):
        raise CallError(f"'{out}' does not end in .yaml.", f"Name a file such as {beside(reference).name} after --out.")
    picture = read_picture(reference)
    height, width = picture.pixels.shape[:2]
    begun = _begun(out, width, height)
    _check_folder(out)
    keeper = _Keeper(out, picture.name, width, height, begun)
    start = {
        "width": width,
        "height": height,
        "file": out.name,
        "reference": picture.name,
        "marks": document(begun) if begun else {"subject": "", "marks": []},
        "longest_name": LONGEST_NAME,
    }
    return Desk(_jpeg(picture.pixels), start, keeper.save)


class _Keeper:
    """Puts what the page sends into the file; asks before it replaces a file that somebody else has changed meanwhile."""

    def __init__(self, out: Path, picture: str, width: int, height: int, begun: Marks | None):
        self.out, self.picture, self.width, self.height = out, picture, width, height
        self.content = _content(out)

    def save(self, sent: Any) -> str:
        """Keep the marks. Raises MarksError with all that is wrong with them, and FeaturediffError when they can't be written."""
        if not isinstance(sent, dict) or not isinstance(sent.get("marks"), dict):
            raise MarksError("The page sent no marks.")
        given = {
            **sent["marks"],
            FORMAT: VERSION,
            "reference": {"name": self.picture, "width": self.width, "height": self.height},
        }
        marks = from_document(given, "marks")
        found = _content(self.out)
        if found != self.content:
            self.content = found
            raise FeaturediffError(
                f"{self.out.name} was changed by another program while this page was open.",
                "Save once more to put these marks in its place.",
            )
        text = text_of(marks)
        if len(text.encode("utf-8")) > LARGEST_FILE:
            raise MarksError(
                f"These marks are more than {LARGEST_FILE} bytes of text, and could not be read again: take some out."
            )
        _write(self.out, text)
        self.content = _content(self.out)
        count = len(marks.marks)
        return f"{count} mark{'' if count == 1 else 's'} saved in {self.out.name}."


def _begun(out: Path, width: int, height: int) -> Marks | None:
    """The marks that the file holds already, in px of this picture."""
    if not os.path.exists(out):
        return None
    marks = read_marks(out)
    if (marks.width, marks.height) == (width, height):
        return marks
    from featurediff.marking.subject import resized

    return resized(marks, width, height)


def _content(path: Path) -> bytes | None:
    try:
        return read_plain(path, LARGEST_FILE)
    except OSError:
        return None


def _check_folder(out: Path) -> None:
    """That the file can be written, before an hour of work goes into it. Raises CallError."""
    try:
        new_beside(out).unlink()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise CallError(f"'{out}' can't be written: {why}.", "Name another file after --out.") from error


def _write(out: Path, text: str) -> None:
    """All of the file or nothing of it."""
    temporary = None
    try:
        temporary = new_beside(out)
        temporary.write_text(text, encoding="utf-8", newline="\n")
        os.replace(temporary, out)
    except OSError as error:
        raise FeaturediffError(
            f"'{out}' can't be written: {error.strerror or error}.",
            "Make room, then save again; the marks are still on this page.",
        ) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _jpeg(pixels: Any) -> bytes:
    """The picture for the page, without anything the camera wrote into its file."""
    from PIL import Image

    shown = Image.fromarray(pixels)
    shrink = LONGEST_SHOWN / max(shown.size)
    if shrink < 1:
        shown = shown.resize([max(math.floor(side * shrink), 1) for side in shown.size], Image.Resampling.LANCZOS)
    file = io.BytesIO()
    shown.save(file, "JPEG", quality=90)
    return file.getvalue()
