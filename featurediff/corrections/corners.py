"""Corners where straight lines meet: when a line moves, the ends of its neighbours slide along themselves to the new corner.

An artist who draws one wall leaning draws the eaves as far as that wall: the eaves are no longer right in length, but it is not
the eaves that are wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.deviations import Compared
from featurediff.records import Junction

# Lines that cross at less than 25 degrees fix no corner: the smallest singular value of two unit normals is sqrt(1 - cos 25).
_CROSSING = 0.306


@dataclass(frozen=True)
class Corner:
    """``at`` (k,): the rows of the points that meet there; ``along`` and ``across`` (k, 2): unit vectors of their lines.

    ``solve`` (2, k) gives the corner's displacement from the displacements of the lines along their normals.
    """

    at: np.ndarray
    along: np.ndarray
    across: np.ndarray
    solve: np.ndarray


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
        if np.linalg.svd(across, compute_uv=False)[-1] < _CROSSING:
            continue
        at = np.array([starts[k] + (0 if end == 0 else 1) for k, end in ends])
        found.append(Corner(at, along, across, np.linalg.pinv(across)))
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
        place = corner.solve @ across
        column[corner.at] = across[:, None] * corner.across + (corner.along @ place)[:, None] * corner.along
    return column
