"""The straight sides of an outline: what can be measured like a straight line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.matching.found import Found, LineFit
from featurediff.matching.strips import Course, course_of

# Straight sides are longer than this share of the size and end at a corner, where the outline turns by so many degrees; an
# outline with sides has three of them at least, which make up most of it.
LONG = 0.02
CORNER_DEG = 30.0
LEAST = 3
MOST_OF_IT = 0.5


@dataclass(frozen=True)
class Side:
    """A side of an outline: its ``course`` in frame px, and the indices of its two ``ends`` among the outline's points."""

    course: Course
    ends: tuple[int, int]

    def fit_of(self, place: Found) -> LineFit:
        """Where the side lies when the outline's points are shifted as in ``place``."""
        first, last = (float(place.shifts[end] @ self.course.across) for end in self.ends)
        turn = (last - first) / (2 * self.course.half)
        return LineFit((first + last) / 2, turn, np.diag([1.0, 1.0 / self.course.half**2]), place.score, 1.0)


def long_sides(curve: np.ndarray, size: float) -> list[Side]:
    """The straight sides of a closed outline (n, 2) px; none when it has too few, or is mostly a smooth curve."""
    way = np.roll(curve, -1, 0) - curve
    length = np.hypot(*way.T)
    heading = np.arctan2(way[:, 1], way[:, 0])
    turn = np.abs((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    corner = turn > np.radians(CORNER_DEG)
    long = np.flatnonzero((length > LONG * size) & (corner | np.roll(corner, -1)))
    if len(long) < LEAST or length[long].sum() < MOST_OF_IT * length.sum():
        return []
    following = (long + 1) % len(curve)
    return [Side(course_of(curve[[k, n]]), (int(k), int(n))) for k, n in zip(long, following, strict=True)]
