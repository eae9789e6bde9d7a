"""Names: suggestions for misspelt ones, and how one from elsewhere may be shown."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

_JOINERS = "\u200c\u200d"  # some scripts need them to be written rightly; they do nothing else


def did_you_mean(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """ "; did you mean 'faces'?" when a known name is close to ``name``, else ``otherwise``."""
    import difflib

    lowered = {k.lower(): k for k in known}
    close = difflib.get_close_matches(name.lower(), list(lowered), n=1, cutoff=0.6)
    return f"; did you mean '{lowered[close[0]]}'?" if close else otherwise


def printable(text: str) -> str:
    """Text on one line, with a question mark for every letter that a terminal obeys or that turns the order of the rest."""
    return text if text.isprintable() else "".join(letter if _is_plain(letter) else "?" for letter in text)


def _is_plain(letter: str) -> bool:
    return letter.isprintable() or letter in _JOINERS or unicodedata.category(letter) == "Zs"
