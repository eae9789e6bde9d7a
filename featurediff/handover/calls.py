"""Call a detector's methods one at a time, so that every fault can name the plugin and the method it came from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from featurediff.discovery import fault_of, plugin_of
from featurediff.errors import DetectorError, FeaturediffError
from featurediff.handover import wellformed
from featurediff.handover.known import check_settings
from featurediff.installation import explain
from featurediff.timelimit import TimeUp, time_limit

if TYPE_CHECKING:
    from featurediff.api import Detector
    from featurediff.records import Guess, Picture, Subject

# Used where a detector's `time_limit_s` is missing or no number above 0.
TIME_LIMIT_S = 60.0


def prepare(detector: Detector, picture: Picture, settings: Mapping[str, Any]) -> Picture:
    """The detector's `prepare`. Raises DetectorError, ConfigError for settings it does not know, and what it raises of
    featurediff.errors."""
    check_settings(detector, settings)
    return _call(detector, "prepare", wellformed.picture, picture, settings)


def find(detector: Detector, picture: Picture, settings: Mapping[str, Any]) -> Subject:
    """The detector's `find`, points made float64 arrays (n, 2). Raises DetectorError, ConfigError for settings it does not know,
    and SubjectError when nothing is there."""
    check_settings(detector, settings)
    return _call(detector, "find", lambda found: wellformed.subject(found, picture.pixels.shape[:2]), picture, settings)


def guess(detector: Detector, drawing: Picture, subject: Subject) -> tuple[Guess, ...]:
    """The detector's `guess`. Raises DetectorError."""
    return _call(detector, "guess", wellformed.guesses, drawing, subject)


def _call(detector: Detector, method: str, check: Callable[[Any], Any], *arguments: Any) -> Any:
    plugin = plugin_of(detector)
    seconds = limit_of(detector)
    try:
        with time_limit(seconds):
            result = getattr(detector, method)(*arguments)
    except (FeaturediffError, MemoryError):
        raise  # said by the detector itself, in words for the artist; or told by the command line
    except TimeUp:
        raise DetectorError(
            f"{plugin} took longer than {seconds:g} s in '{method}' and was stopped.",
            "Try a smaller picture; its author can allow more with 'time_limit_s'.",
        ) from None
    except (Exception, SystemExit) as error:
        known = explain(error)
        if known is not None:  # a library that is missing: no fault of the detector's
            raise known from error
        raise DetectorError(f"{plugin} failed in '{method}': {fault_of(error)}.", _TELL) from error
    return _checked(plugin, method, check, result)


_TELL = "That is a fault of the detector, not of the pictures: tell its author; --verbose shows where."


def _checked(plugin: str, method: str, check: Callable[[Any], Any], result: Any) -> Any:
    try:
        return check(result)
    except wellformed.Malformed as error:
        raise DetectorError(f"{plugin} returned from '{method}' what can't be used: {error}.", _TELL) from None
    except (Exception, SystemExit) as error:  # an object that pretends to be a record
        raise DetectorError(f"{plugin} returned from '{method}' what can't be read: {fault_of(error)}.", _TELL) from error


def limit_of(detector: Detector) -> float:
    """How long one call of its methods may take, in s."""
    seconds = getattr(detector, "time_limit_s", TIME_LIMIT_S)
    if isinstance(seconds, bool) or not isinstance(seconds, (int, float)) or not 0 < seconds < float("inf"):
        return TIME_LIMIT_S
    return float(seconds)
