"""What one sentence could say, as a field of displacements per unit of one amount, and the collector of such fields.

A hypothesis is "this set of points was moved / stretched / turned like so, by an unknown amount". All of them are linear
in that amount, so `featurediff.corrections.explain` can try them all at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from featurediff.corrections.corners import Corner, corners, follow
from featurediff.deviations import Compared, Frame
from featurediff.records import Feature, Group, Junction, Pair


@dataclass(frozen=True)
class Hypothesis:
    """One possible statement. ``members``: indices of the compared features it displaces.

    ``target`` identifies the block it is about: statements on one target can be told in one sentence. ``axis`` (2,) is the
    direction of a move or stretch, ``side`` the side that moves in a stretch from one side ("right", "left", "top",
    "bottom") or the end that swings; ``centre`` (2,) where it acts; ``extent`` the length it stretches or its reach.
    ``least``: amounts below this are not told, in units of the hypothesis.
    ``per_unit``: how much of the told amount (mm, factor, degrees) one unit of the hypothesis is. ``visible``: the told amount
    can be measured on the drawing itself (a point that lies on it), so that it counts once it is beyond the limit of a place.
    ``span``: by how much one unit changes the length or width of a thing, which can be measured on the drawing as well: its two
    ends may each be within their limits, and the thing between them too large.
    """

    kind: str
    target: str
    label: str
    members: tuple[int, ...]
    centre: np.ndarray
    axis: np.ndarray | None = None
    side: str = ""
    extent: float = 0.0
    per_unit: float = 1.0
    cost: float = 1.0
    least: float = 0.0
    stage: str = "placement"
    plural: bool = False
    sitter_label: str = ""
    feature: Feature | None = None
    group: Group | None = None
    pair: Pair | None = None
    follow: str = ""
    own: bool = False
    visible: bool = False
    span: float = 0.0
    extra: dict = field(default_factory=dict)


@dataclass(frozen=True)
class Block:
    """A nameable set of compared features."""

    target: str
    label: str
    members: tuple[int, ...]
    stage: str
    plural: bool = False
    sitter_label: str = ""
    feature: Feature | None = None
    group: Group | None = None


class Builder:
    """Collects hypotheses and their fields: one column of (2 N,) for all points of all compared features."""

    def __init__(self, compared: tuple[Compared, ...], frame: Frame, junctions: tuple[Junction, ...] = ()):
        self.compared = compared
        self.frame = frame
        self.index = {each.feature.name: k for k, each in enumerate(compared)}
        self.points = np.concatenate([each.reference for each in compared])
        self.owner = np.concatenate([np.full(len(each.reference), k) for k, each in enumerate(compared)])
        self.starts = np.cumsum([0, *(len(each.reference) for each in compared)])
        self.belongs = self.owner[None, :] == np.arange(len(compared))[:, None]
        self.corners: list[Corner] = corners(compared, junctions)
        self.hypotheses: list[Hypothesis] = []
        self.fields: list[np.ndarray] = []

    def add(self, hypothesis: Hypothesis, displace: Callable[[np.ndarray], np.ndarray]) -> None:
        """Add a hypothesis; ``displace`` maps points (n, 2) to displacements (n, 2) per unit."""
        column = np.zeros_like(self.points)
        use = self.of(hypothesis.members)
        column[use] = displace(self.points[use])
        self.add_field(hypothesis, column)

    def add_field(self, hypothesis: Hypothesis, column: np.ndarray) -> None:
        """Add a hypothesis by its displacements (N, 2) per unit; corners of straight lines follow the lines."""
        self.hypotheses.append(hypothesis)
        self.fields.append(follow(column, self.corners).ravel())

    def found(self, names) -> tuple[int, ...]:
        """Indices of the features of these names that were found."""
        return tuple(self.index[name] for name in names if name in self.index)

    def row(self, index: int, end: int) -> int:
        """The row of ``points`` of a feature's first (0) or last (-1) point."""
        return int(self.starts[index]) if end == 0 else int(self.starts[index + 1]) - 1

    def of(self, members: tuple[int, ...]) -> np.ndarray:
        """(N,) True for the points of these features."""
        return self.belongs[list(members)].any(0) if len(members) > 1 else self.belongs[members[0]]

    def box(self, members: tuple[int, ...]) -> tuple[np.ndarray, float, float]:
        """Centre, width and height of the members' reference points along the subject's axes."""
        points = self.points[self.of(members)]
        across, down = points @ self.frame.right, points @ self.frame.down
        centre = (across.min() + across.max()) / 2 * self.frame.right + (down.min() + down.max()) / 2 * self.frame.down
        return centre, float(np.ptp(across)), float(np.ptp(down))


def quarter(arm: np.ndarray) -> np.ndarray:
    """Arms turned by 90 degrees clockwise on the paper: the displacement per radian of a clockwise turn."""
    return np.column_stack([-arm[:, 1], arm[:, 0]])
