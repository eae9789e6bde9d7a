"""Arrows and numbered callouts on the drawing: where they go, so that they hide neither each other nor the spot.

Lengths are sheet units; the page draws them as SVG in the same units.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurediff.records import Correction
from featurediff.report.page_window import Window

# An arrow for a smaller move than this is drawn longer, in mm; and so is one that could not be seen, in window units.
_TOO_SHORT_MM, _SHORTEST = 2.0, 6.5
_HEAD, _ARC = 2.4, 5.0
_RADIUS = 3.0
# Places to try for a number: distances from its spot in window units, then directions in degrees.
_DISTANCES = (8.0, 10.0, 12.5, 16.0, 20.0, 26.0, 34.0, 44.0)
_STEP_DEG = 15
_FREE = 0.6  # kept free around a number
# What it costs to lie on another number, an arrow or a spot; across another's line; on drawn lines; and so far off the spot.
_ON_NUMBER, _ON_ARROW, _ON_SPOT, _ACROSS, _ON_INK, _FAR = 1000.0, 60.0, 80.0, 25.0, 40.0, 0.5

Point = tuple[float, float]


@dataclass(frozen=True)
class Arrow:
    """One arrow: SVG paths of its shaft and its head. ``to_scale`` is False when it is drawn longer than the move is."""

    shaft: str
    head: str
    start: Point
    stop: Point
    to_scale: bool


@dataclass(frozen=True)
class Mark:
    """All marks of one correction: its spot, its arrows, and the number at ``at`` with the line from (``near``) to it."""

    rank: int
    spot: Point
    arrows: tuple[Arrow, ...]
    at: Point
    radius: float
    near: tuple[Point, Point]

    @property
    def to_scale(self) -> bool:
        """Whether every arrow is as long as its move."""
        return all(arrow.to_scale for arrow in self.arrows)


def marks(corrections: Sequence[Correction], window: Window, unit: str, dark: np.ndarray, per_unit: float) -> tuple[Mark, ...]:
    """The marks of a list. ``dark`` (h, w): how much is drawn where on the sheet, ``per_unit`` cells to a sheet unit."""
    shown = [(each, _spot(each, window), _arrows(each, window, unit)) for each in corrections]
    segments = [(arrow.start, arrow.stop) for _, _, arrows in shown for arrow in arrows]
    spots = [spot for _, spot, _ in shown]
    placed: list[Mark] = []
    for each, spot, arrows in shown:
        at = _place(spot, window, placed, segments, spots, dark, per_unit)
        placed.append(Mark(each.rank, spot, arrows, at, _RADIUS * window.unit, _leader(spot, at, window.unit)))
    return tuple(placed)


def _spot(each: Correction, window: Window) -> Point:
    return window.clip(each.arrows[0][0] if each.arrows else each.at_mm)


# ---------------------------------------------------------------- arrows


def _arrows(each: Correction, window: Window, unit: str) -> tuple[Arrow, ...]:
    arrows = [_straight(at, move, window, unit) for at, move in each.arrows if math.hypot(*move) > 0]
    if not arrows and each.turn_deg is not None:
        arrows = [_turning(_spot(each, window), each.turn_deg, window.unit)]
    return tuple(arrows)


def _straight(at: Point, move: Point, window: Window, unit: str) -> Arrow:
    length = math.hypot(*move)
    shown = max(length, _SHORTEST * window.unit, _TOO_SHORT_MM if unit == "mm" else 0.0)
    way = (move[0] / length, move[1] / length)
    stop = (at[0] + way[0] * shown, at[1] + way[1] * shown)
    head = _HEAD * window.unit
    neck = (stop[0] - way[0] * head * 0.8, stop[1] - way[1] * head * 0.8)
    return Arrow(_path((at, neck)), _head(stop, way, head), at, stop, shown <= length * 1.001)


def _turning(centre: Point, turn_deg: float, unit: float) -> Arrow:
    """An arc above the spot, clockwise for a positive turn; it shows the way round, never how far."""
    radius, head, clockwise = _ARC * unit, _HEAD * unit, turn_deg > 0
    ends = [_around(centre, radius, angle) for angle in ((-150.0, -30.0) if clockwise else (-30.0, -150.0))]
    way = _around((0.0, 0.0), 1.0, 60.0 if clockwise else 120.0)
    tip = (ends[1][0] + way[0] * head * 0.6, ends[1][1] + way[1] * head * 0.6)
    shaft = f"M{_xy(ends[0])} A{radius:.2f} {radius:.2f} 0 0 {int(clockwise)} {_xy(ends[1])}"
    return Arrow(shaft, _head(tip, way, head), ends[0], tip, False)


def _around(centre: Point, radius: float, angle_deg: float) -> Point:
    return (
        centre[0] + radius * math.cos(math.radians(angle_deg)),
        centre[1] + radius * math.sin(math.radians(angle_deg)),
    )


def _head(tip: Point, way: Point, length: float) -> str:
    back = (tip[0] - way[0] * length, tip[1] - way[1] * length)
    side = (-way[1] * length * 0.48, way[0] * length * 0.48)
    corners = (tip, (back[0] + side[0], back[1] + side[1]), (back[0] - side[0], back[1] - side[1]))
    return _path(corners) + " Z"


def _path(points: Sequence[Point]) -> str:
    return "M" + " L".join(_xy(point) for point in points)


def _xy(point: Point) -> str:
    return f"{point[0]:.2f} {point[1]:.2f}"


# ---------------------------------------------------------------- numbers


def _place(spot, window, placed, segments, spots, dark, per_unit) -> Point:
    """Where the number of ``spot`` goes: near it, on bare paper, off all other marks."""
    unit, radius = window.unit, _RADIUS * window.unit
    best, least = None, math.inf
    for distance in _DISTANCES:
        for angle in range(0, 360, _STEP_DEG):
            at = _around(spot, distance * unit, angle + 7.0)
            if not window.holds(at, radius):
                continue
            cost = _FAR * distance + _cost(spot, at, unit, placed, segments, spots)
            if cost < least:
                cost += _ON_INK * _ink(at, radius, dark, per_unit)
            if cost < least:
                best, least = at, cost
    return best or window.clip((spot[0] + 2 * radius, spot[1] - 2 * radius))


def _cost(spot, at, unit, placed, segments, spots) -> float:
    keep = (_RADIUS + _FREE) * unit
    cost = sum(_ON_NUMBER for mark in placed if math.dist(at, mark.at) < 2 * keep)
    cost += sum(_ON_ARROW for start, stop in segments if _distance(at, start, stop) < keep + 0.8 * unit)
    cost += sum(_ON_SPOT for other in spots if math.dist(at, other) < keep + 1.5 * unit)
    cost += sum(_ACROSS for mark in placed if _cross(spot, at, mark.spot, mark.at))
    cost += sum(_ON_NUMBER for mark in placed if _distance(mark.at, spot, at) < keep)
    others = (segment for segment in segments if math.dist(segment[0], spot) > 1e-6)
    cost += sum(_ACROSS for start, stop in others if _cross(spot, at, start, stop))
    # Not along its own arrow: the line to the number would hide it.
    own = (segment for segment in segments if math.dist(segment[0], spot) <= 1e-6)
    return cost + sum(_ACROSS for start, stop in own if _along(spot, at, stop) > math.cos(math.radians(25.0)))


def _ink(at: Point, radius: float, dark: np.ndarray, per_unit: float) -> float:
    left, right = (int(max((at[0] + sign * radius) * per_unit, 0)) for sign in (-1, 1))
    top, bottom = (int(max((at[1] + sign * radius) * per_unit, 0)) for sign in (-1, 1))
    patch = dark[top : bottom + 1, left : right + 1]
    return float(patch.mean()) if patch.size else 0.0


def _leader(spot: Point, at: Point, unit: float) -> tuple[Point, Point]:
    """From beside the spot to the rim of the number."""
    length = max(math.dist(spot, at), 1e-9)
    way = ((at[0] - spot[0]) / length, (at[1] - spot[1]) / length)
    begin, end = 0.9 * unit, length - _RADIUS * unit
    return (spot[0] + way[0] * begin, spot[1] + way[1] * begin), (spot[0] + way[0] * end, spot[1] + way[1] * end)


def _along(spot: Point, at: Point, stop: Point) -> float:
    """Cosine of the angle at ``spot`` between the ways to ``at`` and to ``stop``."""
    a, b = (at[0] - spot[0], at[1] - spot[1]), (stop[0] - spot[0], stop[1] - spot[1])
    return (a[0] * b[0] + a[1] * b[1]) / max(math.hypot(*a) * math.hypot(*b), 1e-9)


def _distance(point: Point, a: Point, b: Point) -> float:
    """From a point to a stretch."""
    way = (b[0] - a[0], b[1] - a[1])
    square = way[0] ** 2 + way[1] ** 2
    share = ((point[0] - a[0]) * way[0] + (point[1] - a[1]) * way[1]) / square if square > 0 else 0.0
    share = min(max(share, 0.0), 1.0)
    return math.dist(point, (a[0] + share * way[0], a[1] + share * way[1]))


def _cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0
