"""The detector that takes the artist's marks for its features."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from featurediff.api import Detector, Picture, Subject
from featurediff.discovery import find_detectors, load_detector
from featurediff.errors import MarksError

if TYPE_CHECKING:
    from featurediff.marking.records import Marks
    from featurediff.settings import Settings

# Where the marks lie in a run's settings, as plain values: so a piece keeps them, and a class hands them to its workers.
KEY = "marks"


class MarkedDetector(Detector):
    """Knows what is in the settings' marks, and nothing else."""

    title = "Marks of your own on the reference"
    judges = ("what is marked",)

    def __init__(self, name: str):
        self.name = name

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """The marks on the picture. Raises MarksError, and SubjectError when they were made on another picture."""
        from featurediff.marking.subject import subject_of
        from featurediff.marking.write import from_document

        height, width = picture.pixels.shape[:2]
        return subject_of(from_document(settings[KEY]), width, height, picture.name)


def detector_for(settings: Settings) -> Detector:
    """The detector of a run: of the marks in its settings, else the installed one of that subject. Raises DetectorError."""
    if KEY in settings.detector:
        return MarkedDetector(settings.subject)
    return load_detector(settings.subject)


def with_marks(settings: Settings, marks: Marks) -> Settings:
    """Settings that compare by ``marks``. Raises MarksError when they are called like an installed subject."""
    from dataclasses import replace

    from featurediff.marking.write import document

    if marks.subject in {each.name for each in find_detectors()}:
        raise MarksError(
            f"The marks' subject '{marks.subject}' is the name of an installed detector.",
            "Give it another name in the marks file: habits are told by subject.",
        )
    return replace(settings, subject=marks.subject, detector={KEY: document(marks)})
