"""The `architecture` detector: the order of the steps, nothing of how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from featurediff.api import Detector, Picture, Subject, SubjectError


class ArchitectureDetector(Detector):
    """Finds the lines of buildings on the reference and names them."""

    name = "architecture"
    title = "Buildings: outlines, verticals, receding lines, windows and their rhythm"
    judges = ("corners and verticals", "roof lines, sills and kerbs", "eye level", "windows and doors", "arches and domes")

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """See `featurediff.api.Detector.find`."""
        raise SubjectError(f"No building was found in '{picture.name}'.", "Choose a picture that shows one.")
