"""Whether a detector knows the settings it is given."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from featurediff.errors import ConfigError
from featurediff.naming import did_you_mean

if TYPE_CHECKING:
    from featurediff.api import Detector


def check_settings(detector: Detector, given: Mapping[str, Any], origins: Mapping[str, str] | None = None) -> None:
    """That a detector which declares its `settings` knows all the names ``given`` in the block ``detector``.

    ``origins``: where each setting came from, by dotted name ("my.yaml:3"), to say so. Raises ConfigError with every mistake.
    """
    known = getattr(detector, "settings", None)
    if known is None:
        return
    origins = origins or {}
    unknown = [name for name in given if name not in known]
    wrong = [_told(name, detector.name, known, origins.get(f"detector.{name}", "")) for name in unknown]
    if wrong:
        takes = "; ".join(f"{name}: {' '.join(meaning.split())}" for name, meaning in known.items())
        raise ConfigError("\n".join(wrong), f"{detector.name} takes {takes}." if takes else f"{detector.name} takes none.")


def _told(name: str, subject: str, known: Mapping[str, str], origin: str) -> str:
    place = f"{origin}: " if origin else ""
    return f"{place}detector: unknown setting '{name}' for {subject}{did_you_mean(str(name), known)}"
