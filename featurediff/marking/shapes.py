"""The lines that marks stand for, as points at even distances."""

from __future__ import annotations

import itertools
import math

import numpy as np

from featurediff import geometry
from featurediff.marking.records import Mark, Round

FINE = 12  # points between two clicked ones, before they are set at even distances


def line_of(mark: Mark, step: float) -> tuple[np.ndarray, dict[str, int]]:
    """Points (n, 2) px about ``step`` apart, and its named spots as indices into them. A straight line keeps its two ends."""
    if mark.kind == "ellipse":
        return around(mark.round, step), {}
    clicked = np.array(mark.points, float)
    if mark.kind != "curve":
        return clicked, dict(mark.spots)
    points = through(clicked, mark.corners, mark.closed, step)
    return points, {name: int(np.hypot(*(points - clicked[at]).T).argmin()) for name, at in mark.spots.items()}


def around(ellipse: Round, step: float) -> np.ndarray:
    """An ellipse's outline (n, 2), clockwise from the right end of its width."""
    wide, high = 0.5 * ellipse.width, 0.5 * ellipse.height
    # Ramanujan's first approximation of the circumference (1914).
    length = math.pi * (3 * (wide + high) - math.sqrt((3 * wide + high) * (wide + 3 * high)))
    fine = np.linspace(0, 2 * math.pi, max(round(length / step), 12) * FINE, endpoint=False)
    outline = geometry.resample(np.column_stack([wide * np.cos(fine), high * np.sin(fine)]), max(step, length / 400), closed=True)
    turn = math.radians(ellipse.turn)
    return outline @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + ellipse.middle


def through(clicked: np.ndarray, corners: tuple[int, ...], closed: bool, step: float) -> np.ndarray:
    """A curve (n, 2) through ``clicked`` (m, 2), smooth but at its ``corners``. A closed one does not repeat its first point.

    Centripetal Catmull-Rom splines (Yuksel, Schaefer, Keyser, "Parameterization and applications of Catmull-Rom curves", 2011):
    they pass through every point and make no loops between them.
    """
    count = len(clicked)
    if closed and not corners:
        smooth = _spline(clicked[np.arange(-1, count + 2) % count])
        return geometry.resample(smooth[:-1], step, closed=True)
    if closed:
        start = corners[0]
        order = (np.arange(count + 1) + start) % count
        turns = sorted({(corner - start) % count for corner in corners} | {count})
    else:
        order, turns = np.arange(count), sorted({0, *corners, count - 1})
    pieces = []
    for first, last in itertools.pairwise(turns):
        own = clicked[order[first : last + 1]]
        ends = [2 * own[0] - own[1]], [2 * own[-1] - own[-2]]
        pieces.append(geometry.resample(_spline(np.vstack([ends[0], own, ends[1]])), step))
    joined = np.vstack([pieces[0], *(piece[1:] for piece in pieces[1:])])
    return joined[:-1] if closed else joined


def _spline(points: np.ndarray) -> np.ndarray:
    """A fine polyline from ``points[1]`` to ``points[-2]``; the first and the last only give the directions there."""
    pieces = [points[1:2]]
    at = np.linspace(0, 1, FINE + 1)[1:, None]
    for a, b, c, d in zip(points, points[1:], points[2:], points[3:], strict=False):
        # Knots grow with the square root of the distance; points on one spot must not stop them.
        one, two, three = (max(math.sqrt(math.dist(p, q)), 1e-6) for p, q in ((a, b), (b, c), (c, d)))
        leave = two * ((b - a) / one - (c - a) / (one + two) + (c - b) / two)
        arrive = two * ((c - b) / two - (d - b) / (two + three) + (d - c) / three)
        # The cubic with these directions at its two ends (Hermite).
        pieces.append(
            (2 * at**3 - 3 * at**2 + 1) * b + (at**3 - 2 * at**2 + at) * leave
            + (3 * at**2 - 2 * at**3) * c + (at**3 - at**2) * arrive
        )  # fmt: skip
    return np.vstack(pieces)
