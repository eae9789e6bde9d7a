"""Invented things: profiles of vessels and fruit, handles, spouts and stems, each varied by a random generator."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from featurediff.testing.table.solids import Box, Levels, Solid, Tube, Turned

LEVELS = 420
WALL_MM = 3.5


@dataclass(frozen=True)
class Form:
    """One thing, standing on the table at (0, 0): ``body`` and its ``parts`` (handle, spout, stem) by name."""

    kind: str
    body: Solid
    parts: dict[str, Tube]


def jug(rng: np.random.Generator, side: int) -> Form:
    """With a handle on one side (``side`` +1: to the right) and, in two of three, a spout on the other."""
    h, belly = rng.uniform(150, 185), rng.uniform(50, 62)
    foot, neck, rim = belly * rng.uniform(0.62, 0.75), belly * rng.uniform(0.5, 0.6), belly * rng.uniform(0.64, 0.76)
    wide, shoulder = rng.uniform(0.3, 0.38), rng.uniform(0.56, 0.62)
    line = [(foot, 0), (foot * 1.02, 0.02 * h), (belly, wide * h), (belly * 0.86, shoulder * h), (neck, 0.82 * h), (rim, h)]
    body = vessel(line, {"shoulder": shoulder * h}, neck=True)
    turn = math.pi / 2 - side * math.radians(rng.uniform(72, 108))
    reach = rng.uniform(0.55, 0.75) * belly
    parts = {"handle": _handle(body, turn, 0.9 * h, rng.uniform(0.4, 0.46) * h, reach, rng.uniform(5.0, 6.5))}
    if rng.random() < 0.66:
        parts["spout"] = _spout(body, turn + math.pi, 0.45 * h, rng.uniform(0.84, 0.94) * h, rng.uniform(0.6, 0.8) * belly)
    return Form("jug", body, parts)


def bottle(rng: np.random.Generator) -> Form:
    h, r, neck = rng.uniform(225, 265), rng.uniform(32, 38), rng.uniform(11, 13.5)
    s = rng.uniform(0.5, 0.58)
    line = [(r, 0), (r, 0.03 * h), (r, 0.2 * h), (r, 0.4 * h), (0.97 * r, s * h), (1.6 * neck, (s + 0.13) * h)]
    line += [(neck, (s + 0.24) * h), (neck * 0.97, 0.94 * h), (neck * 1.1, h)]
    return Form("bottle", vessel(line, {"shoulder": s * h}, neck=True, wall=2.5), {})


def vase(rng: np.random.Generator) -> Form:
    h, belly = rng.uniform(175, 215), rng.uniform(42, 52)
    foot, neck, rim = belly * rng.uniform(0.5, 0.6), belly * rng.uniform(0.38, 0.46), belly * rng.uniform(0.6, 0.7)
    wide = rng.uniform(0.46, 0.54)
    line = [(foot, 0), (foot, 0.02 * h), (0.86 * belly, wide * h * 0.5), (belly, wide * h), (0.82 * belly, (wide + 0.17) * h)]
    line += [(neck, 0.86 * h), (rim, h)]
    return Form("vase", vessel(line, {"shoulder": (wide + 0.17) * h}, neck=True), {})


def bowl(rng: np.random.Generator) -> Form:
    h, rim = rng.uniform(58, 78), rng.uniform(72, 90)
    foot = rim * rng.uniform(0.4, 0.5)
    line = [(foot, 0), (foot * 1.01, 4), (rim * 0.74, 0.3 * h), (rim * 0.93, 0.64 * h), (rim, h)]
    return Form("bowl", vessel(line, {}), {})


def cup(rng: np.random.Generator, side: int) -> Form:
    h, rim = rng.uniform(72, 88), rng.uniform(36, 42)
    foot = rim * rng.uniform(0.6, 0.72)
    line = [(foot, 0), (foot * 1.03, 3), (rim * 0.9, 0.36 * h), (rim * 0.96, 0.66 * h), (rim, h)]
    body = vessel(line, {}, wall=2.8)
    turn = math.pi / 2 - side * math.radians(rng.uniform(75, 120))
    return Form("cup", body, {"handle": _handle(body, turn, 0.82 * h, 0.3 * h, rng.uniform(0.6, 0.75) * rim, 4.2)})


def pear(rng: np.random.Generator) -> Form:
    h, r = rng.uniform(86, 100), rng.uniform(31, 36)
    line = [(0, 0), (0.5 * r, 1), (0.93 * r, 0.14 * h), (r, 0.34 * h), (0.78 * r, 0.58 * h), (0.47 * r, 0.78 * h)]
    line += [(0.34 * r, 0.93 * h), (0.16 * r, 0.99 * h), (0, h)]
    lean, way = rng.uniform(3, 8), rng.uniform(0, 2 * math.pi)
    body = _fruit(line, lean, way)
    return Form("pear", body, {"stem": _stem(body.outside, rng, rng.uniform(16, 22))})


def apple(rng: np.random.Generator) -> Form:
    h, r = rng.uniform(62, 70), rng.uniform(36, 41)
    line = [(0, 0), (0.4 * r, 1), (0.8 * r, 0.16 * h), (r, 0.55 * h), (0.83 * r, 0.86 * h), (0.5 * r, 0.99 * h)]
    line += [(0.28 * r, 0.95 * h), (0.1 * r, 0.86 * h), (0, 0.84 * h)]
    lean, way = rng.uniform(1, 4), rng.uniform(0, 2 * math.pi)
    body = _fruit(line, lean, way)
    return Form("apple", body, {"stem": _stem(body.hollow or body.outside, rng, rng.uniform(18, 24))})


def box(rng: np.random.Generator) -> Form:
    """A box on end, or a book lying."""
    turn = rng.choice([-1, 1]) * math.radians(rng.uniform(20, 40))
    if rng.random() < 0.5:
        return Form("book", Box((0.0, 0.0), (rng.uniform(80, 95), rng.uniform(56, 66)), rng.uniform(24, 36), turn), {})
    return Form("box", Box((0.0, 0.0), (rng.uniform(38, 50), rng.uniform(30, 40)), rng.uniform(85, 130), turn), {})


def vessel(line: list[tuple[float, float]], marks: dict[str, float], neck: bool = False, wall: float = WALL_MM) -> Turned:
    """A hollow solid of revolution through (radius, height) points, foot first; its widest level and neck are marked."""
    r, z = _smooth(line)
    still = np.zeros_like(r)
    outside = Levels(r, still, still, z)
    low = np.searchsorted(z, max(2.0 * wall, 0.06 * z[-1]))
    inner = r[low:][::-1] - wall
    hollow = Levels(inner, still[: len(inner)], still[: len(inner)], z[low:][::-1].copy())
    widest = int(r.argmax())
    marks = dict(marks)
    if 0 < widest < len(r) - 1:
        marks["widest point"] = float(z[widest])
    if neck:
        marks["neck"] = float(z[widest + int(r[widest:].argmin())])
    return Turned(outside, hollow, marks, lip=True)


def _fruit(line: list[tuple[float, float]], lean: float, way: float) -> Turned:
    """A solid whose circles' centres wander ``lean`` mm towards ``way`` with height; a dimple when the line dips at its end."""
    r, z = _smooth(line, round_ends=True)
    top = int(z.argmax())
    bend = lean * (z / z.max()) ** 2
    x, y = bend * math.cos(way), bend * math.sin(way)
    # At the very top the outside is flat; heights may not fall.
    outside = Levels(r[: top + 1], x[: top + 1], y[: top + 1], np.maximum.accumulate(z[: top + 1]))
    hollow = None if top > len(r) - 4 else Levels(r[top:], x[top:], y[top:], z[top:])
    return Turned(outside, hollow, {"widest point": float(z[r.argmax()])})


def _smooth(line: list[tuple[float, float]], round_ends: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Radii and heights of `LEVELS` points on a smooth curve through the points; ``round_ends`` meets the axis squarely."""
    points = np.array(line, float)
    inner = points
    if round_ends:
        # Mirrored beyond both ends, so that the curve crosses the axis level.
        inner = np.vstack([points[2:0:-1] * [-1, 1], points, points[-2:-4:-1] * [-1, 1]])
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(inner, axis=0).T))])
    first = 2 if round_ends else 0
    at = np.linspace(along[first], along[first + len(points) - 1], LEVELS)
    r, z = (_spline(along, inner[:, i], at) for i in (0, 1))
    z = np.maximum(z, 0.0)
    r, z = np.maximum(r, 0.0), z
    return r, (z if round_ends else np.maximum.accumulate(z))


def _spline(x: np.ndarray, y: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Natural cubic spline (second derivative 0 at both ends)."""
    n, h = len(x), np.diff(x)
    matrix, right = np.eye(n), np.zeros(n)
    for i in range(1, n - 1):
        matrix[i, i - 1 : i + 2] = h[i - 1], 2 * (h[i - 1] + h[i]), h[i]
        right[i] = 6 * ((y[i + 1] - y[i]) / h[i] - (y[i] - y[i - 1]) / h[i - 1])
    bend = np.linalg.solve(matrix, right)
    i = np.clip(np.searchsorted(x, at) - 1, 0, n - 2)
    a, b = (x[i + 1] - at) / h[i], (at - x[i]) / h[i]
    return a * y[i] + b * y[i + 1] + ((a**3 - a) * bend[i] + (b**3 - b) * bend[i + 1]) * h[i] ** 2 / 6


def _handle(body: Turned, turn: float, high: float, low: float, reach: float, thick: float) -> Tube:
    """A strap from ``high`` to ``low`` on the wall, ``reach`` mm out."""
    r_high, r_low = (float(body.outside.radius_at(np.array(z))[0]) - 0.5 * WALL_MM for z in (high, low))
    out = max(r_high, r_low) + reach
    line = [(r_high, high), (0.5 * (r_high + out), high + 0.04 * (high - low)), (out, high - 0.24 * (high - low))]
    line += [(0.5 * (r_low + out) + 2, low + 0.22 * (high - low)), (r_low, low)]
    return _tube(line, turn, np.array([thick * 1.15, thick * 0.95, thick, thick * 0.95, thick * 1.1]))


def _spout(body: Turned, turn: float, low: float, high: float, reach: float) -> Tube:
    r_low, r_high = (float(body.outside.radius_at(np.array(z))[0]) for z in (low, high))
    # It starts well inside the wall, so that its wide end is out of sight.
    line = [
        (r_low - 12, low - 4),
        (r_low + 0.3 * reach, low + 0.26 * (high - low)),
        (r_low + 0.6 * reach, low + 0.64 * (high - low)),
    ]
    line += [(max(r_low, r_high) + reach, high)]
    return _tube(line, turn, np.array([15.0, 10.5, 8.0, 7.0]))


def _stem(levels: Levels, rng: np.random.Generator, length: float) -> Tube:
    at = np.array([levels.x[-1], levels.y[-1], levels.z[-1]])
    bend = rng.uniform(-0.45, 0.45, 2)
    t = np.linspace(-0.12, 1, 30)[:, None]
    course = at + length * np.hstack([bend * t**2, t])
    return Tube(course, 1.5 + 0.7 * np.abs(t[:, 0]) ** 2)


def _tube(line: list[tuple[float, float]], turn: float, thick: np.ndarray) -> Tube:
    points = np.array(line, float)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0, along[-1], 80)
    out, z, radius = _spline(along, points[:, 0], at), _spline(along, points[:, 1], at), _spline(along, thick, at)
    return Tube(np.column_stack([out * math.cos(turn), out * math.sin(turn), z]), radius)
