"""Who is which number. Sheets are shared by number; whose they are stands in a private file alone.

Numbers follow the pictures' contents, not the alphabet, so that they give nobody away, and stay with their picture from run to
run.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path

from featurediff.classroom import files
from featurediff.errors import CallError, CompareError
from featurediff.pictures import MAX_BYTES, shown_name
from featurediff.plainfiles import read_plain

PRIVATE, NAMES, LIST = "private", "names.json", "names.txt"
FORMAT, VERSION = "featurediff-class-names", 1
SUFFIXES = {".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"}
# Not read, but a teacher must learn that these sheets are not among the compared.
REFUSED = {".pdf", ".dng", ".cr2", ".cr3", ".nef", ".arw", ".raf", ".orf", ".rw2", ".pef", ".gif", ".bmp"}
MOST = 2000
_LARGEST = 20_000_000


@dataclass(frozen=True)
class Entry:
    """A sheet: its number, its picture and that picture's SHA-256 ("" when it can't be read)."""

    number: int
    picture: Path
    content: str


def pictures_in(folder: Path, reference: Path) -> list[Path]:
    """The pictures of a folder, hidden files, folders and the reference itself left out. Raises CallError."""
    try:
        found = sorted(path for path in folder.iterdir() if _is_picture(path) and not _same(path, reference))
    except OSError as error:
        raise CallError(f"The folder '{folder}' can't be read: {error.strerror or error}.", "Check its permissions.") from None
    if not found:
        raise CallError(
            f"There are no pictures in '{folder}'.", "Put a photograph of every sheet there: JPEG, PNG, TIFF, WebP or HEIC."
        )
    if len(found) > MOST:
        raise CallError(
            f"There are {len(found)} pictures in '{folder}'; the most is {MOST}.", "Divide them over several folders."
        )
    return found


def _is_picture(path: Path) -> bool:
    return path.suffix.lower() in SUFFIXES | REFUSED and not path.name.startswith(".") and os.path.isfile(path)


def _same(path: Path, reference: Path) -> bool:
    try:
        return path.samefile(reference)
    except OSError:
        return False


def content_of(path: Path) -> str:
    """The SHA-256 of a file, or "" when it can't be read."""
    try:
        return hashlib.sha256(read_plain(path, MAX_BYTES)).hexdigest()
    except (OSError, ValueError):
        return ""


def numbered(out: Path, pictures: list[Path], reference: str = "") -> list[Entry]:
    """Every picture with its number: the one it had in an earlier run, by name, else by content; then the next free ones.

    Copies of the reference, by its content, are no sheets. Writes the private list. Raises CallError, CompareError.
    """
    private = out / PRIVATE
    known = _known(private / NAMES)
    contents = {path: content_of(path) for path in pictures}
    pictures = [path for path in pictures if not reference or contents[path] != reference]
    if not pictures:
        raise CallError("The folder holds only the reference.", "Put a photograph of every sheet there.")
    numbers = {path: known[path.name][0] for path in pictures if path.name in known}
    # A picture that was only given another name keeps its number.
    present = {path.name for path in pictures}
    lost = {content: number for name, (number, content) in known.items() if name not in present and content}
    for path in pictures:
        if path not in numbers and contents[path] in lost:
            numbers[path] = lost.pop(contents[path])
    fresh = sorted((path for path in pictures if path not in numbers), key=lambda path: (contents[path], path.name))
    free = max([0, *(number for number, _ in known.values())]) + 1
    numbers.update({path: free + k for k, path in enumerate(fresh)})
    entries = sorted((Entry(numbers[path], path, contents[path]) for path in pictures), key=lambda each: each.number)
    gone = {name: value for name, value in known.items() if name not in present and value[0] not in set(numbers.values())}
    _keep(private, entries, gone)
    return entries


def _known(path: Path) -> dict[str, tuple[int, str]]:
    """File name -> (number, content) of earlier runs. Raises CompareError."""
    try:
        document = json.loads(read_plain(path, _LARGEST).decode("utf-8"))
        if document["format"] != FORMAT or document["version"] != VERSION:
            raise ValueError("another format")
        known = {each["file"]: (each["number"], each["content"]) for each in document["sheets"]}
        numbers = [number for number, _ in known.values()]
        if not all(type(number) is int and 0 < number < 1_000_000 for number in numbers) or len(set(numbers)) != len(numbers):
            raise ValueError("no numbers")
        return known
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise CompareError(f"'{PRIVATE}/{NAMES}' can't be read: {error.strerror or error}.", "Check its permissions.") from None
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
        raise CompareError(
            f"'{PRIVATE}/{NAMES}' in the class folder is damaged.",
            "Take it out; the sheets are then numbered and compared anew.",
        ) from None


def _keep(private: Path, entries: list[Entry], gone: dict[str, tuple[int, str]]) -> None:
    files.make_folder(private, 0o700)
    sheets = [{"number": each.number, "file": each.picture.name, "content": each.content} for each in entries]
    sheets += [{"number": number, "file": name, "content": content} for name, (number, content) in gone.items()]
    document = {"format": FORMAT, "version": VERSION, "sheets": sorted(sheets, key=lambda each: each["number"])}
    files.put(private / NAMES, (json.dumps(document, indent=1) + "\n").encode("ascii"))


def write_list(out: Path, entries: list[Entry], remarks: dict[int, str]) -> None:
    """The private list for people: number, file, what became of it. Raises CompareError."""
    lines = ["Private: who drew which sheet. Do not pass it on.", ""]
    lines += [f"{each.number:4d}  {shown_name(each.picture)}  {remarks.get(each.number, '')}".rstrip() for each in entries]
    files.put(out / PRIVATE / LIST, ("\n".join(lines) + "\n").encode("utf-8", "backslashreplace"))
