"""What the cases of difficult captures and of repeats are drawn from: a scene of each subject with one known mistake.

A `Motif` is a reference with its subject's name, a mistake of a known amount, and the words in which the list must tell it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from featurediff.testing import building_mistakes, mistakes, table_mistakes
from featurediff.testing.hands import Placement, place
from featurediff.testing.scenes import rendered_building, rendered_face, rendered_table

A4 = (210.0, 297.0)


@dataclass(frozen=True)
class Motif:
    """``scene`` of the ``subject``, rendered from ``seed``, to lie on the sheet by ``placement``.

    ``wrong``: amount in px -> warp. ``words``: what the item about it must hold, "a|b" for either; ``about``: a word in the names
    of the features that it concerns. ``options``: the detector's settings.
    """

    subject: str
    seed: int
    scene: Any
    placement: Placement
    wrong: Callable[[float], Any]
    words: tuple[str, ...]
    about: str
    options: dict = field(default_factory=dict)

    def mistaken(self, amount_mm: float):
        """The warp of the mistake, of this amount on the paper; None for 0."""
        return self.wrong(amount_mm / self.placement.mm_per_px) if amount_mm else None

    @property
    def sheet_name(self) -> str:
        """The sheet's size as one types it."""
        return "{:.1f}x{:.1f}mm".format(*self.placement.sheet_mm)


def face(seed: int, height_mm: float = 160.0) -> Motif:
    """A rendered face, its brow on the left too low."""
    scene = rendered_face(seed)
    placement = place(scene, A4, height_mm)

    def low_brow(amount: float):
        return mistakes.moved(scene, (mistakes.brow("left"), (0.0, amount)))

    return Motif("faces", seed, scene, placement, low_brow, ("raise|towards the crown", "brow on the left"), "brow on the left")


def building(seed: int) -> Motif:
    """A rendered front; the gap between its second and third columns of windows too wide."""
    scene = rendered_building(seed, "facade")
    height, width = scene.pixels.shape[:2]
    sheet = A4[::-1]
    placement = place(scene, sheet, 0.78 * min(sheet[0] / width, sheet[1] / height) * scene.size_px)
    wall = max(scene.rhythms, key=lambda name: len(scene.rhythms[name].columns) * (name != "end"))

    def wide_gap(amount: float):
        return building_mistakes.gap_widened(scene, 2, amount, wall)

    return Motif("architecture", seed, scene, placement, wide_gap, ("gap|closer|apart|column",), "window")


def table(seed: int) -> Motif:
    """A rendered table whose things are given boxes; one of them moved to the side."""
    scene = rendered_table(seed)
    wide = max(float(np.ptp(np.vstack([thing.contour for thing in scene.objects])[:, 0])), 1.0)
    sheet = A4[::-1]
    placement = place(scene, sheet, min(160.0, 0.92 * sheet[0] / wide * scene.size_px), centre=(sheet[0] / 2, sheet[1] / 2))
    more = 0.02 * scene.size_px
    boxes = {}
    for thing in scene.objects:
        left, top, across, down = thing.box
        boxes[thing.name] = f"{left - more:.0f},{top - more:.0f},{across + 2 * more:.0f},{down + 2 * more:.0f}"

    def moved(amount: float):
        return table_mistakes.object_moved(scene, 1.0, by=(amount, 0.0))

    return Motif("still-life", seed, scene, placement, moved, ("gap|move",), "", {"objects": boxes})


MOTIFS: dict[str, Callable[[int], Motif]] = {"faces": face, "architecture": building, "still-life": table}
