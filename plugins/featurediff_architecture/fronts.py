"""Fronts: the walls of a building or street, each a stretch of the picture whose level lines aim one way."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from featurediff_architecture.choose import Candidates
from featurediff_architecture.classify import RIGHT, SLOPE, VERTICAL
from featurediff_architecture.directions import Directions

BINS = 80
# Changing from one front to the next must be worth this share of the length seen at a place; a front is at least so wide.
CHANGE = 1.5
NARROW = 0.05
# A vertical this near (share of the width) to where fronts change is their common corner.
SNAP = 0.04


@dataclass(frozen=True)
class Front:
    """``aim``: the number of its level direction (-1: none known). ``left`` and ``right``: x px at the height of its middle;
    ``region`` (m, 2) its outline; ``recedes``: "left", "right" or "" for a front seen straight on."""

    aim: int
    left: float
    right: float
    region: np.ndarray
    recedes: str

    @property
    def width(self) -> float:
        return self.right - self.left


def find_fronts(found: Candidates, directions: Directions) -> tuple[Front, ...]:
    """The fronts from left to right. One without an aim when no level direction is known."""
    if not len(found):
        return ()
    low, high = found.lines.ends.reshape(-1, 2).min(0), found.lines.ends.reshape(-1, 2).max(0)
    edges = np.linspace(low[0], high[0] + 1e-6, BINS + 1)
    labels = sorted({(int(a), side) for a, side in zip(found.aim, _sides(found, directions), strict=True) if a >= 0})
    if not labels:
        return (Front(-1, low[0], high[0], _region(found, np.ones(len(found), bool)), ""),)
    worth = np.array([_seen(found, edges, aim, side, directions) for aim, side in labels])
    path = _best_path(worth, CHANGE * float(np.median(worth.max(0))) + 1e-6)
    runs = _runs(path)
    runs = [(a, b, k) for a, b, k in runs if (b - a) >= NARROW * BINS] or [max(runs, key=lambda run: run[1] - run[0])]
    return tuple(_front(found, directions, edges, run, labels) for run in _joined(runs))


def span_of(found: Candidates, fronts: tuple[Front, ...]) -> np.ndarray:
    """(n,) width of the front over whose middle, or nearest to it, each candidate lies."""
    if not fronts:
        return np.full(len(found), np.inf)
    x = found.lines.middle[:, :1]
    away = np.maximum(np.array([f.left for f in fronts]) - x, x - np.array([f.right for f in fronts]))
    return np.array([f.width for f in fronts])[away.argmin(1)]


def _sides(found: Candidates, directions: Directions) -> list[str]:
    """The side to which each level line recedes; a wall seen straight on has but one, however its lines lean."""
    far = [_far(directions, aim) for aim in range(len(directions.level))]
    return [
        "right" if kind == RIGHT and not (a >= 0 and far[a]) else "left" for kind, a in zip(found.kind, found.aim, strict=True)
    ]


def _far(directions: Directions, aim: int) -> bool:
    point = directions.level[aim].point
    return bool(abs(point[2]) * 8 * max(directions.size) < np.hypot(point[0], point[1]))


def _seen(found: Candidates, edges: np.ndarray, aim: int, side: str, directions: Directions) -> np.ndarray:
    """(BINS,) number of level lines of this aim and side over each bin, long ones counted more."""
    lines = found.lines
    mine = np.array([a == aim and s == side for a, s in zip(found.aim, _sides(found, directions), strict=True)])
    x = np.sort(lines.ends[..., 0], axis=1)
    over = (x[:, :1] < edges[None, 1:]) & (x[:, 1:] > edges[None, :-1]) & mine[:, None]
    return (over * np.sqrt(lines.length)[:, None]).sum(0)


def _best_path(worth: np.ndarray, cost: float) -> np.ndarray:
    """(BINS,) label of each bin: the most worth, less ``cost`` for each change (Viterbi)."""
    labels, bins = worth.shape
    total, came = worth[:, 0].copy(), np.zeros((labels, bins), int)
    for b in range(1, bins):
        best = int(total.argmax())
        stay = total >= total[best] - cost
        came[:, b] = np.where(stay, np.arange(labels), best)
        total = np.where(stay, total, total[best] - cost) + worth[:, b]
    path = np.zeros(bins, int)
    path[-1] = int(total.argmax())
    for b in range(bins - 1, 0, -1):
        path[b - 1] = came[path[b], b]
    return path


def _runs(path: np.ndarray) -> list[tuple[int, int, int]]:
    cuts = [0, *(np.flatnonzero(np.diff(path)) + 1), len(path)]
    return [(a, b, int(path[a])) for a, b in pairwise(cuts)]


def _joined(runs) -> list[tuple[int, int, int]]:
    """Neighbours of one label, after narrow ones between them are gone, are one."""
    out = [runs[0]]
    for a, b, k in runs[1:]:
        if out[-1][2] == k:
            out[-1] = (out[-1][0], b, k)
        else:
            out.append((a, b, k))
    return out


def _front(found, directions, edges, run, labels) -> Front:
    a, b, k = run
    aim, side = labels[k]
    width = edges[-1] - edges[0]
    left, right = (_snapped(found, x, SNAP * width) for x in (edges[a], edges[b]))
    mine = np.array([s == side for s in _sides(found, directions)]) & (found.aim == aim) | (found.kind == VERTICAL)
    middle = found.lines.middle[:, 0]
    inside = mine & (middle > left - 0.01 * width) & (middle < right + 0.01 * width)
    return Front(aim, left, right, _region(found, inside), "" if _far(directions, aim) else side)


def _snapped(found: Candidates, x: float, near: float) -> float:
    """The x of the longest vertical within ``near`` of ``x``, or ``x``."""
    lines = found.lines
    close = np.flatnonzero((found.kind == VERTICAL) & (np.abs(lines.middle[:, 0] - x) < near))
    return float(lines.middle[close[lines.length[close].argmax()], 0]) if len(close) else float(x)


def _region(found: Candidates, mine: np.ndarray) -> np.ndarray:
    mine = mine & (found.kind != SLOPE)
    points = found.lines.ends[mine if mine.any() else np.ones(len(found), bool)].reshape(-1, 2)
    return cv2.convexHull(points.astype(np.float32)).reshape(-1, 2).astype(float)
