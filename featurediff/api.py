"""The one module that plugin authors import.

A detector finds features on the *reference* and names them. Finding them in the drawing, line-up, deviations, corrections
and reports come from the engine.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from featurediff.errors import SubjectError
from featurediff.hooks import hookimpl
from featurediff.records import (
    STAGES,
    Advice,
    Feature,
    Form,
    Gap,
    Group,
    Guess,
    Junction,
    Located,
    Meeting,
    NotJudged,
    Pair,
    Picture,
    Row,
    Start,
    Subject,
)

API_VERSION = 1

__all__ = [
    "API_VERSION",
    "STAGES",
    "Advice",
    "Detector",
    "Feature",
    "Form",
    "Gap",
    "Group",
    "Guess",
    "Junction",
    "Located",
    "Meeting",
    "NotJudged",
    "Pair",
    "Picture",
    "Row",
    "Start",
    "Subject",
    "SubjectError",
    "hookimpl",
]


class Detector:
    """Base class of detectors. Only `find` must be written.

    ``name``: what is typed after ``--subject``. ``title``: one line for the list of subjects. ``judges``: what it can judge, in
    plain words. ``settings``: what it can be told in the block ``detector`` of a settings file, each name with its meaning in
    words; other names are then refused. None: it checks them itself. ``api_version``: the version of this module it was written
    for. ``time_limit_s``: how long one call of one of its methods may take, in seconds; then it is stopped.
    """

    name: str = ""
    title: str = ""
    judges: tuple[str, ...] = ()
    settings: Mapping[str, str] | None = None
    api_version: int = API_VERSION
    time_limit_s: float = 60.0

    def prepare(self, picture: Picture, settings: Mapping[str, Any]) -> Picture:
        """The reference as the artist means it, where that differs from the photograph (leaning verticals straightened, say).

        All that follows takes the returned picture for the reference. Default: the picture as it is.
        """
        return picture

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """Find the subject on the reference picture.

        ``picture.pixels`` is (h, w, 3) uint8 sRGB. ``settings`` is the ``detector`` block of the configuration. Returned points
        are in px of that picture. Raises `SubjectError` when the subject is not there.
        """
        raise NotImplementedError

    def guess(self, drawing: Picture, subject: Subject) -> tuple[Guess, ...]:
        """Ideas of where the subject lies in the drawing; the engine confirms or rejects each. Default: none.

        ``drawing.pixels`` (h, w, 3) uint8 is the squared sheet, at 6 px per mm where the photograph has so many, its long side
        2400 px at most.
        """
        return ()

    def close(self) -> None:
        """Release models. Called when the process ends."""
