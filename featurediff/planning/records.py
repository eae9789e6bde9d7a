"""What a plan holds. Lengths in mm on the sheet from its top left corner; arrays float64."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from featurediff.records import Advice

if TYPE_CHECKING:
    import numpy as np

FROM_TOP, FROM_LEFT, BETWEEN = "from the top edge", "from the left edge", "between"


@dataclass(frozen=True)
class Placement:
    """Where the reference lies on the sheet: p_mm = ``scale`` * (p_px + 0.5) + ``move``, never turned.

    ``sheet_mm`` (width, height) as it lies. ``frame``: left, top, right, bottom of the whole picture on the sheet, ``extent``
    of what
    is to be drawn, ``cut``: which sides of it the picture's own frame cuts ("left", ...). ``size_mm``: the subject's height.
    ``wanted``: whether the artist gave a size.
    """

    sheet_mm: tuple[float, float]
    scale: float
    move: tuple[float, float]
    frame: tuple[float, float, float, float]
    extent: tuple[float, float, float, float]
    cut: tuple[str, ...]
    size_mm: float
    wanted: bool

    @property
    def margins(self) -> tuple[float, float, float, float]:
        """Free paper left, above, right and below of what is to be drawn; below 0 where it runs over the edge."""
        left, top, right, bottom = self.extent
        return left, top, self.sheet_mm[0] - right, self.sheet_mm[1] - bottom

    def to_mm(self, points: np.ndarray) -> np.ndarray:
        """(n, 2) px of the reference to mm on the sheet."""
        return (points + 0.5) * self.scale + self.move


@dataclass(frozen=True)
class Length:
    """A starting length: ``mm`` ``how`` ("from the top edge", "from the left edge", "between" its two ``ends``).

    ``ends``: one or two points (x, y) in mm. ``direction``: "down", "across" or "apart".
    """

    label: str
    mm: float
    how: str
    direction: str
    ends: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Relation:
    """Two spots one above the other (``direction`` "plumb") or at one height ("level").

    ``first`` is the upper or the left one; ``off_mm`` how far the second is from true, to the right or down. ``ends`` in mm.
    """

    direction: str
    first: str
    second: str
    off_mm: float
    ends: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Plan:
    """All of it. ``remarks`` are about the reference and the fit."""

    subject: str
    sheet_name: str
    size_label: str
    placement: Placement
    lengths: tuple[Length, ...]
    relations: tuple[Relation, ...]
    remarks: tuple[Advice, ...]
    px_per_mm: float
