"""An outline with sharp corners as its edges: a drawing's lines are found edge by edge, and corners are where they meet.

Measured on a simulated boat (tests/benchmark/marked.py): a sail's outline taken as one curve had errors of up to 2.5 mm at its
tips, where a hand's strokes cross and run on; its edges, each by itself, of up to 0.5 mm.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from featurediff.marking.records import Mark

# Which way an edge looks, clockwise from the right (y points down), and its name.
_WAYS = ("right", "lower right", "lower", "lower left", "left", "upper left", "upper", "upper right")
_ORDINALS = ("", "second ", "third ", "fourth ", "fifth ", "sixth ", "seventh ", "eighth ")


@dataclass(frozen=True)
class Edge:
    """One edge of a mark. ``mark``: a line or an open curve of its own; ``ends``: which of the whole mark's points it joins."""

    mark: Mark
    ends: tuple[int, int]


def splits(mark: Mark) -> bool:
    """Whether a mark is compared edge by edge."""
    return mark.edges and len(_turns(mark)) > 2 and not mark.judge


def edges_of(mark: Mark, taken: set[str]) -> tuple[Edge, ...]:
    """The edges in their order along the outline; their names are added to ``taken`` and unlike all in it."""
    count = len(mark.points)
    places = np.array(mark.points, float)
    turns = _turns(mark)
    runs = [list(range(first, last + 1)) for first, last in itertools.pairwise(turns)]
    names = _names(mark, [places[[k % count for k in run]] for run in runs], taken)
    found = []
    for run, name in zip(runs, names, strict=True):
        own = [k % count for k in run]
        found.append(
            Edge(
                replace(
                    mark,
                    name=name,
                    kind="line" if len(own) == 2 else "curve",
                    points=tuple(mark.points[k] for k in own),
                    corners=(),
                    closed=False,
                    part=(*mark.part, mark.name),
                    spots={spot: own.index(at) for spot, at in mark.spots.items() if at in own},
                ),
                (own[0], own[-1]),
            )
        )
    return tuple(found)


def _turns(mark: Mark) -> list[int]:
    """Point indices at which edges begin and end, in order; of a closed outline the first again, one round on."""
    count = len(mark.points)
    if mark.kind != "curve" or not mark.corners:
        return []
    if mark.closed:
        first = min(mark.corners)
        return [*sorted(mark.corners), first + count] if len(mark.corners) > 1 else []
    return sorted({0, *mark.corners, count - 1})


def _names(mark: Mark, runs: list[np.ndarray], taken: set[str]) -> list[str]:
    """ "left edge of the sail": four ways where they tell the edges apart, else eight, else counted."""
    looks = [_looks(run, mark) for run in runs]
    four = [_WAYS[2 * (round(angle / 90) % 4)] for angle in looks]
    eight = [_WAYS[round(angle / 45) % 8] for angle in looks]
    ways = four if len(set(four)) == len(four) else eight
    names = []
    for way in ways:
        called = [f"{nth}{way} edge of the {mark.name}" for nth in (*_ORDINALS, *(f"{k}th " for k in range(9, 1000)))]
        names.append(next(name for name in called if name.lower() not in taken))
        taken.add(names[-1].lower())
    return names


def _looks(run: np.ndarray, mark: Mark) -> float:
    """Which way an edge's chord looks, outwards, of an open mark away from its middle: degrees clockwise from the right."""
    chord = run[-1] - run[0]
    normal = np.array([-chord[1], chord[0]])
    x, y = np.array(mark.points, float).T
    inside = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))  # twice the area, positive when it runs clockwise
    if not mark.closed:
        inside = float(normal @ ([(x.min() + x.max()) / 2, (y.min() + y.max()) / 2] - run.mean(0)))
    if inside > 0:
        normal = -normal
    return math.degrees(math.atan2(normal[1], normal[0])) % 360
