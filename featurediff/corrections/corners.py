"""Corners where straight lines meet: when a line moves, the ends of its neighbours slide along themselves to the new corner.

An artist who draws one wall leaning draws the eaves as far as that wall: the eaves are no longer right in length, but it is not
the eaves that are wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from featurediff.deviations import Compared
from featurediff.records import Junction

# Lines that cross at less than 25 degrees fix no corner.
_CROSSING = math.sin(math.radians(25.0))


@dataclass(frozen=True)
class Corner:
    """``at`` (k,): the rows of the points that meet there; ``along`` and ``across`` (k, 2): unit vectors of their lines.

    ``other`` (k,): the line there that each crosses most squarely, which it is drawn as far as; ``clear`` (k,): whether that is
    clear enough to fix where it ends.
    """

    at: np.ndarray
    along: np.ndarray
    across: np.ndarray
    other: np.ndarray
    clear: np.ndarray


def corners(compared: tuple[Compared, ...], junctions: tuple[Junction, ...]) -> list[Corner]:
    """The junctions of at least two found lines that cross clearly."""
    starts = np.cumsum([0, *(len(each.reference) for each in compared)])
    index = {each.feature.name: k for k, each in enumerate(compared)}
    found = []
    for junction in junctions:
        ends = [(index[name], end) for name, end in junction.ends if name in index]
        ends = [(k, end) for k, end in ends if compared[k].feature.kind == "segment" and len(compared[k].reference) == 2]
        if len(ends) < 2:
            continue
        chord = np.array([compared[k].reference[-1] - compared[k].reference[0] for k, _ in ends])
        length = np.hypot(*chord.T)
        if length.min() < 1e-9:
            continue
        along = chord / length[:, None]
        across = np.column_stack([-along[:, 1], along[:, 0]])
        square = np.abs(along @ across.T)
        at = np.array([starts[k] + (0 if end == 0 else 1) for k, end in ends])
        found.append(Corner(at, along, across, square.argmax(1), square.max(1) >= _CROSSING))
    return found


def follow(column: np.ndarray, found: list[Corner]) -> np.ndarray:
    """Displacements (N, 2) with the ends at every corner brought together: across a line they stay, along it they follow."""
    if not found:
        return column
    column = column.copy()
    for corner in found:
        moved = column[corner.at]
        if not moved.any():
            continue
        across = (moved * corner.across).sum(1)
        for k in np.flatnonzero(corner.clear):
            # Where the displaced lines cross: their normals and how far each is displaced along its own.
            pair = [k, corner.other[k]]
            column[corner.at[k]] = np.linalg.solve(corner.across[pair], across[pair])
    return column
