"""The `still-life` detector: the order of the steps, nothing of how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from featurediff.api import Detector, Picture, Subject, SubjectError


class StillLifeDetector(Detector):
    """Finds the things on a table and names their outlines."""

    name = "still-life"
    title = "Still life: outlines, ellipses and axes of things on a table, and the gaps between them"
    judges = ("outlines", "rims and feet", "axes and symmetry", "gaps and alignments")

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """See `featurediff.api.Detector.find`."""
        raise SubjectError(f"Nothing was found in '{picture.name}'.", "Choose a picture that shows things on a table.")
