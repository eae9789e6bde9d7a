"""Straight features that run side by side: they keep their order on the paper, and one drawn line is not two of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from featurediff.matching.candidates import Candidate
from featurediff.matching.found import Found, LineFit
from featurediff.matching.strips import Course

# Sine of the angle up to which two lines run side by side; the share of the shorter one along which they must.
PARALLEL = 0.17
OVERLAP = 0.3
# Fractions of the frame's size: how far apart they may be; nearer than this they are one line.
FARTHEST = 0.09
ONE_LINE = 0.004
# What it costs to swap their order or to lie on one another; a gap drawn at half its width costs nothing.
COST = 8.0
FREE = 0.5
# Fitted lines whose gap shrank to this share, and to less than this fraction of the size, are the same drawn line.
MERGED = 0.35
MERGED_SIZE = 0.007
CLEARLY = 0.05
WHY = "two lines near its place could be meant, and only one of them is drawn"


@dataclass(frozen=True)
class Rivals:
    """Two straight features side by side, by index: ``gap`` px from ``one`` to ``other`` along the normal of ``one``, taken
    where they are ``at_one`` and ``at_other`` px along from their middles; ``sign``: -1 when they run in opposite directions."""

    one: int
    other: int
    gap: float
    at_one: float
    at_other: float
    sign: float

    def gap_of(self, one: tuple[float, float], other: tuple[float, float]) -> float:
        """The gap when the two have these (offset, turn)."""
        return self.gap + self.sign * (other[0] + other[1] * self.at_other) - (one[0] + one[1] * self.at_one)


def find_rivals(courses: dict[int, Course], size: float) -> list[Rivals]:
    """All pairs of lines side by side."""
    found = []
    keys = list(courses)
    if not keys:
        return found
    middles = np.array([courses[k].middle for k in keys])
    alongs = np.array([courses[k].along for k in keys])
    halves = np.array([courses[k].half for k in keys])
    sines = np.abs(alongs[:, 0, None] * alongs[None, :, 1] - alongs[:, 1, None] * alongs[None, :, 0])
    step = middles[None] - middles[:, None]
    ahead = np.abs(np.einsum("ijk,ik->ij", step, alongs))
    reach = halves[:, None] + halves[None] - OVERLAP * 2 * np.minimum(halves[:, None], halves[None])
    for i, j in np.argwhere(np.triu((sines < PARALLEL) & (ahead < reach), 1)):
        pair = _rivals(keys[i], keys[j], courses[keys[i]], courses[keys[j]])
        if ONE_LINE * size < abs(pair.gap) < FARTHEST * size:
            found.append(pair)
    return found


def _rivals(i: int, j: int, one: Course, other: Course) -> Rivals:
    """The pair, its gap taken in the middle of the stretch that both share."""
    sign = 1.0 if one.along @ other.along > 0 else -1.0
    ends = np.sort((other.ends - one.middle) @ one.along)
    at_one = (max(ends[0], -one.half) + min(ends[1], one.half)) / 2
    at_other = float((one.middle + at_one * one.along - other.middle) @ other.along)
    gap = float((other.middle + at_other * other.along - one.middle) @ one.across)
    return Rivals(i, j, gap, at_one, at_other, sign)


def rival_costs(pair: Rivals, one: list[Candidate], other: list[Candidate], courses: dict[int, Course]) -> np.ndarray:
    """(len(one), len(other)) what each choice of candidates for the two costs together."""
    costs = np.zeros((len(one), len(other)))
    for a, first in enumerate(one):
        for b, second in enumerate(other):
            gap = pair.gap_of(_place(first, courses[pair.one]), _place(second, courses[pair.other]))
            costs[a, b] = COST * np.clip((FREE - gap / pair.gap) / FREE, 0.0, 1.0)
    return costs


def _place(candidate: Candidate, course: Course) -> tuple[float, float]:
    return float(candidate.shift @ course.across), candidate.turn


def without_rivals(pairs: list[Rivals], found: list[Found], size: float) -> list[Found]:
    """``found`` less the straight features that lie on a line which another one, more like it, lies on as well."""
    answer = list(found)
    for pair in pairs:
        first, second = answer[pair.one].fit, answer[pair.other].fit
        if first is None or second is None or answer[pair.one].shifts is None or answer[pair.other].shifts is None:
            continue
        gap = pair.gap_of((first.offset, first.turn), (second.offset, second.turn))
        if abs(gap) < min(MERGED * abs(pair.gap), MERGED_SIZE * size):
            loser = pair.one if _less(first, second) else pair.other
            answer[loser] = replace(Found(why=WHY), score=answer[loser].score)
    return answer


def _less(first: LineFit, second: LineFit) -> bool:
    """Does the second look more like what is drawn there? If both do, it is the one that needs the smaller move."""
    if abs(first.score - second.score) > CLEARLY:
        return first.score < second.score
    return abs(first.offset) > abs(second.offset)
