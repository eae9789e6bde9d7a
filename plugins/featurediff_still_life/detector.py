"""The `still-life` detector: the order of the steps, nothing of how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from featurediff.api import Detector, Picture, Subject, SubjectError

LEAST_PX = 16  # of the short side: less shows no outline


class StillLifeDetector(Detector):
    """Finds the things on a table and names their outlines."""

    name = "still-life"
    title = "Still life: outlines, ellipses and axes of things on a table, and the gaps between them"
    judges = ("outlines", "rims and feet", "axes and symmetry", "gaps and alignments")
    settings: Mapping[str, str] = {
        "objects": 'things and the boxes around them, such as ["jug:120,80,300,420"]: x, y, width, height in px of the reference',
        "mask": "path of a black and white picture of the reference's size: white where the things are",
    }

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """See `featurediff.api.Detector.find`.

        Settings: ``objects`` (boxes "name:x,y,w,h" in px of the reference, a list or a mapping) and ``mask`` (path of a black and
        white picture, things white). Raises `SubjectError` when no thing stands out, `ConfigError` for settings it can't use.
        """
        import numpy as np

        from featurediff_still_life.choices import HOW, read_choices
        from featurediff_still_life.objects import coarsen
        from featurediff_still_life.separation import left_out, separated
        from featurediff_still_life.subject import assemble
        from featurediff_still_life.tableedge import find_table_edge
        from featurediff_still_life.things import understand
        from featurediff_still_life.view import make_view

        choices = read_choices(settings)
        if min(picture.pixels.shape[:2]) < LEAST_PX:
            height, width = picture.pixels.shape[:2]
            raise SubjectError(f"'{picture.name}' is too small: {width} x {height} px.", "Use a larger copy of the picture.")
        view = make_view(picture.pixels)
        coarse = coarsen(view)
        things = separated(picture, view, coarse, choices)
        understood = [each for each in understand(view, coarse.scale, things) if each.rim is not None or each.pieces]
        if not understood:
            raise SubjectError(f"No outline in '{picture.name}' is clear enough to compare.", HOW)
        covered = np.any([thing.mask for thing in things], axis=0)
        return assemble(view, understood, find_table_edge(view, covered), left_out(choices, things))
