"""Suggestions for misspelt names."""

from __future__ import annotations

from collections.abc import Iterable


def did_you_mean(name: str, known: Iterable[str], otherwise: str = "") -> str:
    """ "; did you mean 'faces'?" when a known name is close to ``name``, else ``otherwise``."""
    import difflib

    lowered = {k.lower(): k for k in known}
    close = difflib.get_close_matches(name.lower(), list(lowered), n=1, cutoff=0.6)
    return f"; did you mean '{lowered[close[0]]}'?" if close else otherwise
