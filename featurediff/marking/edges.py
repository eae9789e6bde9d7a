"""An outline with sharp corners as its edges: a drawing's lines are found edge by edge, and corners are where they meet.

A hand's strokes cross and run on at sharp tips, so an outline taken as one curve errs there; straight edges are found as lines.
On a simulated boat in four hands the list told what was moved on 16 of 16 sheets by edges; in two of these hands, on 8 of 8
against 7 of 8 by whole outlines (tests/benchmark/marked.py, and with --whole).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from featurediff.marking.records import Mark

# Which way an edge looks, clockwise from the right (y points down), and its name.
_WAYS = ("right", "lower right", "lower", "lower left", "left", "upper left", "upper", "upper right")
# Where one of two or three edges lies that look the same way: across for upper and lower ones, down for left and right ones.
_WHERE = (
    {1: [""], 2: [" on the left", " on the right"], 3: [" on the left", " in the middle", " on the right"]},
    {1: [""], 2: [" at the top", " at the bottom"], 3: [" at the top", " in the middle", " at the bottom"]},
)


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
    """ "left edge of the sail": four ways where they tell the edges apart, else eight, else four and where each lies."""
    looks = [_looks(run, mark) for run in runs]
    four = [_WAYS[2 * (round(angle / 90) % 4)] for angle in looks]
    eight = [_WAYS[round(angle / 45) % 8] for angle in looks]
    ways = eight if len(set(four)) < len(four) == len(set(eight)) else four
    names = []
    for way, place in zip(ways, _places(ways, runs), strict=True):
        called = f"{way} edge of the {mark.name}{place}"
        called = next(name for name in (called, *(f"{called} ({k})" for k in range(2, 10_000))) if name.lower() not in taken)
        names.append(called)
        taken.add(called.lower())
    return names


def _places(ways: list[str], runs: list[np.ndarray]) -> list[str]:
    """Where each edge lies among those that look the same way: on the left, at the top; "" for one that is alone."""
    found = [""] * len(ways)
    for way in set(ways):
        own = [k for k, each in enumerate(ways) if each == way]
        axis = 1 if way in ("left", "right") else 0
        own.sort(key=lambda k: runs[k][:, axis].mean())
        words = _WHERE[axis].get(len(own), [f" ({number})" for number in range(1, len(own) + 1)])
        for k, word in zip(own, words, strict=True):
            found[k] = word
    return found


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
