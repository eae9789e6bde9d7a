"""Names and sizes of sheets."""

from __future__ import annotations

import re

from featurediff.errors import CallError
from featurediff.naming import printable

MM_PER_INCH = 25.4

# Width and height in mm, upright. A sizes: ISO 216. Letter: ANSI/ASME Y14.1 size A. Watercolour sheets and blocks in inches:
# common practice, no source.
SHEETS: dict[str, tuple[float, float]] = {
    "A5": (148.0, 210.0),
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (8.5 * MM_PER_INCH, 11 * MM_PER_INCH),
    "imperial full": (22 * MM_PER_INCH, 30 * MM_PER_INCH),
    "imperial half": (15 * MM_PER_INCH, 22 * MM_PER_INCH),
    "imperial quarter": (11 * MM_PER_INCH, 15 * MM_PER_INCH),
    "9x12in": (9 * MM_PER_INCH, 12 * MM_PER_INCH),
    "12x16in": (12 * MM_PER_INCH, 16 * MM_PER_INCH),
}

SMALLEST_MM, LARGEST_MM, LONGEST_ASPECT = 40.0, 2000.0, 5.0

_MEASURES = re.compile(r"(\d+(?:[.,]\d+)?)(mm|cm|in|\"|)[x*\u00d7](\d+(?:[.,]\d+)?)(mm|cm|in|\")")
_LENGTH = re.compile(r"(\d+(?:[.,]\d+)?)(mm|cm|in|\"|)")
_FACTORS = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, '"': MM_PER_INCH}


def parse_sheet(text: str) -> tuple[float, float]:
    """(width, height) in mm of a named sheet or of two measures: "A4", "imperial half", "280x380mm", "11x15in".

    Upper and lower case, spaces, hyphens and underscores do not matter. Raises `CallError`, listing what is allowed.
    """
    squeezed = re.sub(r"(?<=[a-z])[_-](?=[a-z])|\s+", "", text.lower())
    for name, size in SHEETS.items():
        if squeezed in _spellings(name):
            return size
    match = _MEASURES.fullmatch(squeezed)
    if not match:
        raise CallError(f"'{shortened(text)}' is not a sheet size.", allowed())
    width, first_unit, height, unit = match.groups()
    return _checked(
        float(width.replace(",", ".")) * _FACTORS[first_unit or unit],
        float(height.replace(",", ".")) * _FACTORS[unit],
        text,
    )


def parse_length(text: str) -> float:
    """A length in mm: "160mm", "16 cm", "6.3in", "160". Raises `CallError`."""
    match = _LENGTH.fullmatch(re.sub(r"\s+", "", text.lower()))
    length = float(match[1].replace(",", ".")) * _FACTORS[match[2] or "mm"] if match else 0.0
    if not 0 < length <= LARGEST_MM:
        raise CallError(f"'{shortened(text)}' is not a length on the paper.", "Give it as 160mm, 16cm or 6.3in.")
    return length


def allowed() -> str:
    """What may be written for a sheet, in one sentence."""
    return f"Use {', '.join(SHEETS)}, or width x height such as 280x380mm or 11x15in."


def sheet_name(size_mm: tuple[float, float]) -> str:
    """The name of a size in either orientation ("A4"), or "280 x 380 mm"."""
    low, high = sorted(size_mm)
    for name, size in SHEETS.items():
        if abs(size[0] - low) < 0.3 and abs(size[1] - high) < 0.3:
            return name
    return f"{size_mm[0]:g} x {size_mm[1]:g} mm"


def shortened(text: str) -> str:
    """At most 40 printable characters of what was typed, for use in a message."""
    clean = printable(text)
    return clean if len(clean) <= 40 else clean[:37] + "..."


def _spellings(name: str) -> set[str]:
    base = name.replace(" ", "").lower()
    return {base, base.removeprefix("imperial"), base[8:] + "imperial"} if base.startswith("imperial") else {base}


def _checked(width: float, height: float, text: str) -> tuple[float, float]:
    low, high = sorted((width, height))
    if low < SMALLEST_MM or high > LARGEST_MM or high / max(low, 1e-9) > LONGEST_ASPECT:
        what = f"a sheet of '{shortened(text)}' is {width:g} x {height:g} mm."
        raise CallError(what, f"Give sides of {SMALLEST_MM:g} to {LARGEST_MM:g} mm, at most {LONGEST_ASPECT:g} to 1.")
    return width, height
