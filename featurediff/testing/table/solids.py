"""What stands on a table: stacks of level circles (vessels, fruit), tubes (handles, spouts, stems) and boxes.

Each solid knows its occluding contour exactly, and whether points lie inside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from featurediff.testing.table.view import View

# Share of a tube's radius that a ray must pass inside to count as blocked: its own contour touches it exactly.
GRAZE = 0.03


@dataclass(frozen=True)
class Levels:
    """Level circles along a profile, from its start to its end: ``r``, ``x``, ``y``, ``z`` (k,) mm."""

    r: np.ndarray
    x: np.ndarray
    y: np.ndarray
    z: np.ndarray

    def at(self, k: np.ndarray) -> tuple[np.ndarray, ...]:
        """r, x, y, z at fractional indices."""
        grid = np.arange(len(self.r))
        return tuple(np.interp(k, grid, v) for v in (self.r, self.x, self.y, self.z))

    def slopes(self, k: np.ndarray) -> tuple[np.ndarray, ...]:
        """Their derivatives along the index."""
        grid = np.arange(len(self.r))
        return tuple(np.interp(k, grid, np.gradient(v)) for v in (self.r, self.x, self.y, self.z))

    def points(self, k: np.ndarray, turn: np.ndarray) -> np.ndarray:
        """(..., 3) the surface points at fractional index and azimuth (radians)."""
        r, x, y, z = self.at(k)
        return np.stack([x + r * np.cos(turn), y + r * np.sin(turn), z + 0 * turn], -1)

    def radius_at(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """r, x, y at heights (any order of the profile); 0 radius outside its range."""
        order = slice(None) if self.z[-1] >= self.z[0] else slice(None, None, -1)
        zs = self.z[order] + np.arange(len(self.z)) * 1e-9
        r = np.interp(z, zs, self.r[order], left=0.0, right=0.0)
        return r, np.interp(z, zs, self.x[order]), np.interp(z, zs, self.y[order])


@dataclass(frozen=True)
class Run:
    """A stretch of the contour over the levels: ``left`` and ``right`` (n, 3) mm, bottom first. ``closed_low`` and
    ``closed_high``: the two meet there, so that the contour runs on from one to the other."""

    left: np.ndarray
    right: np.ndarray
    closed_low: bool
    closed_high: bool


def contour(levels: Levels, view: View) -> list[Run]:
    """The occluding contour: where the surface is seen edge on. Hidden stretches are included.

    On each level the condition n . (P - C) = 0 reads A cos v + B sin v + D = 0, which has two roots v or none.
    """
    last = len(levels.r) - 1
    grid = np.arange(last + 1.0)
    has = _condition(levels, view, grid)[3] >= 0
    out = []
    for first, stop in _runs(has):
        low, high = float(first), float(stop - 1)
        closed_low, closed_high = first > 0, stop <= last
        k = grid[first:stop]
        if closed_low:
            low = _where_they_meet(levels, view, first - 1.0, float(first))
            k = _dense_near(low, k)
        if closed_high:
            high = _where_they_meet(levels, view, float(stop), stop - 1.0)
            k = _dense_near(high, k[::-1])[::-1]
        both = [levels.points(k, turn) for turn in _roots(levels, view, k)]
        ends = [view.project(side)[:, 0] for side in both]
        left, right = both if ends[0].mean() < ends[1].mean() else both[::-1]
        out.append(Run(left, right, closed_low, closed_high))
    return out


def _condition(levels: Levels, view: View, k: np.ndarray) -> tuple[np.ndarray, ...]:
    """A, B, D and A^2 + B^2 - D^2."""
    r, x, y, z = levels.at(k)
    dr, dx, dy, dz = levels.slopes(k)
    cx, cy, cz = view.centre
    a, b = dz * (x - cx) - dx * (z - cz), dz * (y - cy) - dy * (z - cz)
    d = dz * r - dr * (z - cz)
    return a, b, d, a * a + b * b - d * d


def _roots(levels: Levels, view: View, k: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    a, b, d, _ = _condition(levels, view, k)
    middle = np.arctan2(b, a)
    half = np.arccos(np.clip(-d / np.hypot(a, b), -1, 1))
    return middle + half, middle - half


def _where_they_meet(levels: Levels, view: View, without: float, having: float) -> float:
    for _ in range(50):
        half = 0.5 * (without + having)
        inside = _condition(levels, view, np.array([half]))[3][0] >= 0
        without, having = (without, half) if inside else (half, having)
    return having


def _dense_near(meet: float, k: np.ndarray) -> np.ndarray:
    """The levels, ``meet`` put before them and the first ones taken closer: there the azimuth goes with the square root."""
    span = min(40, len(k) - 1)
    return np.concatenate([meet + (k[span] - meet) * (np.arange(160) / 160.0) ** 2, k[span:]])


def _runs(flags: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


@dataclass(frozen=True)
class Turned:
    """A solid of level circles. ``outside`` from the foot up, heights never falling; ``hollow`` from the top down, or None.

    ``marks``: heights of named levels, mm. ``lip``: True for a vessel, whose outside ends in a flat lip.
    """

    outside: Levels
    hollow: Levels | None = None
    marks: dict[str, float] = field(default_factory=dict)
    lip: bool = False

    @property
    def reach(self) -> tuple[float, float, float]:
        """x, y and radius of an upright cylinder around it."""
        o = self.outside
        x, y = float(o.x.mean()), float(o.y.mean())
        return x, y, float((o.r + np.hypot(o.x - x, o.y - y)).max())

    @property
    def top(self) -> float:
        return float(self.outside.z[-1])

    def inside(self, points: np.ndarray, margin: float = 0.02) -> np.ndarray:
        """Which of (..., 3) points lie more than ``margin`` mm inside the solid, the hollow left out."""
        x, y, z = points[..., 0], points[..., 1], points[..., 2]
        r, cx, cy = self.outside.radius_at(z)
        within = np.hypot(x - cx, y - cy) < r - margin
        if self.hollow is not None:
            r, cx, cy = self.hollow.radius_at(z)
            within &= ~(np.hypot(x - cx, y - cy) < r + margin)
        return within & (z > margin) & (z < self.top - margin)

    def within_wall(self, points: np.ndarray) -> np.ndarray:
        """Which of (n, 3) points lie inside the outer surface, in the solid or in its hollow."""
        r, x, y = self.outside.radius_at(points[:, 2])
        return np.hypot(points[:, 0] - x, points[:, 1] - y) < r

    def blocks(self, points: np.ndarray, towards: np.ndarray, margin: float = 0.02) -> np.ndarray:
        """(n,) bool: does the solid lie between points (n, 3) and what is seen ``towards`` (n, 3) unit directions?"""
        x, y, radius = self.reach
        away = points[:, :2] - [x, y]
        a = (towards[:, :2] ** 2).sum(1)
        b, c = (away * towards[:, :2]).sum(1), (away**2).sum(1) - radius**2
        root = np.sqrt(np.maximum(b * b - a * c, 0))
        rise = np.maximum(towards[:, 2], 1e-9)
        near, far = np.maximum((-b - root) / a, 0.0), np.minimum((-b + root) / a, (self.top - points[:, 2]) / rise)
        out = np.zeros(len(points), bool)
        some = np.flatnonzero((b * b > a * c) & (far > near))
        if len(some):
            share = np.linspace(0.0, 1.0, 90)[None] ** 1.3
            t = near[some, None] + (far - near)[some, None] * share
            along = points[some, None] + t[..., None] * towards[some, None]
            out[some] = self.inside(along, margin).any(1)
        return out


@dataclass(frozen=True)
class Tube:
    """A round tube along ``course`` (n, 3) mm, of ``radius`` (n,) mm."""

    course: np.ndarray
    radius: np.ndarray

    @property
    def top(self) -> float:
        return float((self.course[:, 2] + self.radius).max())

    @property
    def reach(self) -> tuple[float, float, float]:
        x, y = self.course[:, :2].mean(0)
        return float(x), float(y), float((np.hypot(self.course[:, 0] - x, self.course[:, 1] - y) + self.radius).max())

    def _frame(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Tangents, two normals (n, 3) each, and the radius's slope along the length (n,)."""
        step = np.gradient(self.course, axis=0)
        speed = np.linalg.norm(step, axis=1, keepdims=True)
        tangent = step / speed
        across = np.cross(tangent, _plane_normal(self.course))
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        return tangent, across, np.cross(tangent, across), np.gradient(self.radius) / speed[:, 0]

    def contour(self, view: View) -> tuple[np.ndarray, np.ndarray]:
        """The two sides of its occluding contour, (n, 3) mm each: the envelope of the spheres along it, in closed form."""
        tangent, one, two, slope = self._frame()
        away = self.course - view.centre
        lean = np.sqrt(1 - slope**2)
        a, b = lean * (one * away).sum(1), lean * (two * away).sum(1)
        d = self.radius - slope * (tangent * away).sum(1)
        middle, half = np.arctan2(b, a), np.arccos(np.clip(-d / np.hypot(a, b), -1, 1))
        return tuple(self._surface(middle + sign * half)[0] for sign in (1, -1))

    def _surface(self, turn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points and normals, (..., n, 3) each, at azimuths (..., n) about the course."""
        tangent, one, two, slope = self._frame()
        lean = np.sqrt(1 - slope**2)[:, None]
        normal = lean * (np.cos(turn)[..., None] * one + np.sin(turn)[..., None] * two) - slope[:, None] * tangent
        return self.course + self.radius[:, None] * normal, normal

    def end_ring(self, count: int = 90) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The ring at its last point: (count, 3) points, (count, 3) unit directions away from the middle, (3,) the way out."""
        tangent, one, two, _ = (v[-1] for v in self._frame())
        turn = np.arange(count)[:, None] * (2 * math.pi / count)
        away = np.cos(turn) * one + np.sin(turn) * two
        return self.course[-1] + self.radius[-1] * away, away, tangent

    def mesh(self, around: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Points (m, 3), triangles (t, 3) and normals (m, 3)."""
        n = len(self.course)
        turn = np.repeat(np.arange(around)[:, None] * (2 * math.pi / around), n, 1)
        rings, normals = (np.moveaxis(v, 0, 1) for v in self._surface(turn))
        i, j = np.meshgrid(np.arange(n - 1), np.arange(around), indexing="ij")
        a, b = i * around + j, i * around + (j + 1) % around
        quads = np.stack([a, b, a + around, b + around], -1).reshape(-1, 4)
        return rings.reshape(-1, 3), np.vstack([quads[:, [0, 1, 2]], quads[:, [1, 3, 2]]]), normals.reshape(-1, 3)

    def inside(self, points: np.ndarray) -> np.ndarray:
        far = np.linalg.norm(points[..., None, :] - self.course, axis=-1)
        return (far < self.radius * (1 - GRAZE)).any(-1)

    def blocks(self, points: np.ndarray, towards: np.ndarray) -> np.ndarray:
        """As `Turned.blocks`."""
        to = self.course[None] - points[:, None]
        along = (to * towards[:, None]).sum(2)
        gap = np.sqrt(np.maximum((to**2).sum(2) - along**2, 0))
        return ((gap < self.radius * (1 - GRAZE)) & (along > self.radius)).any(1)


def _plane_normal(course: np.ndarray) -> np.ndarray:
    """(3,) the direction in which a nearly flat course has no extent."""
    return np.linalg.svd(course - course.mean(0))[2][2]


@dataclass(frozen=True)
class Box:
    """An upright box: ``middle`` (2,) mm of its foot, ``half`` its half-widths, ``height`` mm, turned by ``turn`` radians."""

    middle: tuple[float, float]
    half: tuple[float, float]
    height: float
    turn: float

    @property
    def top(self) -> float:
        return self.height

    @property
    def reach(self) -> tuple[float, float, float]:
        return (*self.middle, math.hypot(*self.half))

    @property
    def axes(self) -> np.ndarray:
        """(2, 2) its two level directions."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.array([[c, s], [-s, c]])

    def corners(self) -> np.ndarray:
        """(2, 4, 3): foot and top, counter-clockwise from above."""
        signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * self.half
        flat = signs @ self.axes + self.middle
        return np.stack([np.column_stack([flat, np.full(4, z)]) for z in (0.0, self.height)])

    def inside(self, points: np.ndarray, margin: float = 0.02) -> np.ndarray:
        """As `Turned.inside`."""
        local = np.abs((points[..., :2] - self.middle) @ self.axes.T)
        z = points[..., 2]
        return (local < np.array(self.half) - margin).all(-1) & (z > margin) & (z < self.height - margin)

    def blocks(self, points: np.ndarray, towards: np.ndarray, margin: float = 0.02) -> np.ndarray:
        """As `Turned.blocks`: the slab test."""
        start = np.column_stack([(points[:, :2] - self.middle) @ self.axes.T, points[:, 2] - self.height / 2])
        way = np.column_stack([towards[:, :2] @ self.axes.T, towards[:, 2]])
        way = np.where(np.abs(way) < 1e-9, 1e-9, way)
        half = np.array([*self.half, self.height / 2]) - margin
        one, two = (-half - start) / way, (half - start) / way
        near, far = np.minimum(one, two).max(1), np.maximum(one, two).min(1)
        return (far > np.maximum(near, 0)) & (far > 1e-6)


Solid = Turned | Tube | Box
