"""Vanishing points: where lines that run the same way in space aim, and the eye level through them.

Method: pairs of lines vote for the point where they cross (RANSAC, Fischler and Bolles 1981), judged by the angle between each
line and the way from its middle to the point, weighted by length; the winner is refined by least squares on what agrees. Points
are homogeneous (x, y, w) in working px, so one at infinity (w = 0) is nothing special.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from featurediff_architecture.segments import Lines

# A line agrees with a point when it aims at it within this many degrees; short lines know their angle less well.
AGREE = 1.0
LINE_SIGMA = 0.6
# Picture verticals lean no more than this many degrees at the picture's middle (a rolled or tilted camera).
LEAN = 18.0
# The eye level is square to the plumb direction within this many degrees.
SQUARE = 4.0
PAIRS = 900
# So many lines at different places must aim at a level point: two roof slopes and their mouldings always cross somewhere.
FEWEST = 4
# Two uprights alone tell where verticals meet when each is longer than this share of the picture's height.
PAIR = 0.15
# Lines spread less than this (degrees) tell no meeting point (TRADE.md: a judgement).
SPREAD = 8.0


@dataclass(frozen=True)
class Direction:
    """One direction in space. ``point`` (3,) homogeneous, unit length; ``members`` indices of the lines that aim there;
    ``spread`` degrees between the outermost of them; ``weight`` their summed length in px. ``kind``: "vertical" or "level"."""

    point: np.ndarray
    members: np.ndarray
    spread: float
    weight: float
    kind: str

    @property
    def finite(self) -> bool:
        """False when it lies so far off (50 times the unit of the picture) that its lines are parallel."""
        return abs(self.point[2]) * 1e5 > math.hypot(self.point[0], self.point[1])

    @property
    def at(self) -> np.ndarray:
        """(2,) the point in px (far off when it is not `finite`)."""
        w = self.point[2]
        return self.point[:2] / (w if abs(w) > 1e-9 else math.copysign(1e-9, w))

    def way(self, points: np.ndarray) -> np.ndarray:
        """(n, 2) unit vectors along the direction at ``points`` (n, 2); their sense is arbitrary."""
        aim = self.point[:2] - np.asarray(points, float) * self.point[2]
        return aim / np.maximum(np.hypot(*aim.T), 1e-12)[:, None]


@dataclass(frozen=True)
class Directions:
    """``vertical`` and the ``level`` directions, strongest first; ``eye_level``: a line (a, b, c), a x + b y + c = 0 with
    (a, b) of unit length and b > 0, or None when it is not known. ``size``: width and height of the working copy."""

    vertical: Direction | None
    level: tuple[Direction, ...]
    eye_level: np.ndarray | None
    size: tuple[int, int]

    def down(self, points: np.ndarray) -> np.ndarray:
        """(n, 2) unit vectors along the plumb direction at ``points``, pointing down the picture."""
        points = np.asarray(points, float)
        if self.vertical is None:
            return np.tile([0.0, 1.0], (len(points), 1))
        way = self.vertical.way(points)
        return way * np.where(way[:, 1] < 0, -1.0, 1.0)[:, None]

    def eye_height(self, x: np.ndarray) -> np.ndarray | None:
        """y of the eye level at ``x``."""
        if self.eye_level is None:
            return None
        a, b, c = self.eye_level
        return -(a * np.asarray(x, float) + c) / b


def off_direction(lines: Lines, point: np.ndarray) -> np.ndarray:
    """Degrees (n,) or (k, n) between each line and the way from its middle to ``point`` (3,) or (k, 3)."""
    points = np.atleast_2d(point)
    middle = lines.middle
    aim = points[:, None, :2] - middle[None] * points[:, None, 2:]
    across = np.abs(aim @ np.zeros(2)) if not len(lines) else np.abs(np.einsum("knc,nc->kn", aim, lines.normal))
    degrees = np.degrees(np.arcsin(np.clip(across / np.maximum(np.hypot(aim[..., 0], aim[..., 1]), 1e-12), 0, 1)))
    return degrees[0] if np.ndim(point) == 1 else degrees


def tolerance(lines: Lines) -> np.ndarray:
    """Degrees within which each line can be said to agree with a point."""
    return np.hypot(AGREE, np.degrees(np.arctan2(2 * LINE_SIGMA, lines.length)))


def find_directions(lines: Lines, size: tuple[int, int]) -> Directions:
    """The vertical direction and up to three level ones of ``lines`` on a picture of ``size`` (w, h)."""
    rng = np.random.default_rng(7)
    vertical = _vertical(lines, size, rng)
    taken = np.zeros(len(lines), bool)
    if vertical is not None:
        taken[vertical.members] = True
    level = _levels(lines, ~taken, vertical, size, rng)
    return Directions(vertical, level, _eye_level(level, vertical, size), size)


# ---------------------------------------------------------------- voting


def _vertical(lines: Lines, size: tuple[int, int], rng: np.random.Generator) -> Direction | None:
    use = np.flatnonzero(np.abs(lines.angle) > 90.0 - LEAN - 8.0)
    if not len(use):
        return None
    half = np.array(size) / 2.0

    def allowed(points: np.ndarray) -> np.ndarray:
        aim = points[:, :2] - half * points[:, 2:]
        upright = np.abs(aim[:, 0]) < math.tan(math.radians(LEAN)) * np.abs(aim[:, 1])
        # Verticals that met on the picture would be no verticals: the camera looked straight up or down.
        return upright & (np.abs(aim[:, 1]) > 1.5 * size[1] * np.abs(points[:, 2]))

    upright = np.array([[0.0, 1.0, 0.0]])
    best = _best(lines, use, allowed, rng, "vertical", upright)
    if best is not None and len(best.members) == 2 and lines.length[best.members].min() < PAIR * size[1]:
        # Two short lines may cross anywhere.
        agree = use[off_direction(lines.take(use), upright[0]) < tolerance(lines.take(use))]
        return Direction(upright[0], agree, 0.0, float(lines.length[agree].sum()), "vertical") if len(agree) else None
    return best


def _levels(lines, free, vertical, size, rng) -> tuple[Direction, ...]:
    """Up to three level directions; each must lie with the first on an eye level that is square to the plumb direction."""
    found: list[Direction] = []
    plumb = np.array([0.0, 1.0])
    half = np.array(size) / 2.0
    if vertical is not None:
        plumb = vertical.way(half[None])[0]
        plumb = plumb * (1.0 if plumb[1] > 0 else -1.0)
    across = np.array([plumb[1], -plumb[0]])
    free = free & (np.abs(lines.direction @ across) > math.cos(math.radians(65.0)))

    def allowed(points: np.ndarray) -> np.ndarray:
        aim = points[:, :2] - half * points[:, 2:]
        x, y, w = aim @ across, aim @ plumb, points[:, 2]
        reach = np.hypot(x, y)
        # At infinity it must run level; nearer, the eye level passes the picture not more than 1.5 heights away.
        far = np.abs(w) * 12 * max(size) < reach
        good = np.where(far, np.abs(y) < math.tan(math.radians(SQUARE)) * np.abs(x) + 1e-9, np.abs(y) < 2.0 * size[1] * np.abs(w))
        for other in found:
            good &= _on_one_level(points, other.point, across)
        return good

    flat = np.array([[across[0], across[1], 0.0]])
    total = float(lines.length[free].sum())
    for _ in range(3):
        use = np.flatnonzero(free)
        best = _best(lines, use, allowed, rng, "level", flat) if len(use) else None
        if best is None or best.weight < 0.06 * total or _distinct(lines.take(best.members), size) < FEWEST:
            break
        found.append(best)
        free[best.members] = False
    return tuple(sorted(found, key=lambda d: -d.weight))


def _distinct(lines: Lines, size: tuple[int, int]) -> int:
    """How many lines that are not doubles of each other: apart by 1.5 % of the picture, or turned by 4 degrees. No scraps."""
    kept: list[int] = []
    for k in np.argsort(-lines.length):
        if lines.length[k] < 0.035 * max(size):
            break
        across = np.abs((lines.middle[k] - lines.middle[kept]) @ lines.normal[k]) if kept else np.zeros(0)
        turned = np.abs((lines.angle[kept] - lines.angle[k] + 90.0) % 180.0 - 90.0) if kept else np.zeros(0)
        if not ((across < 0.015 * max(size)) & (turned < 4.0)).any():
            kept.append(int(k))
    return len(kept)


def _on_one_level(points: np.ndarray, other: np.ndarray, across: np.ndarray) -> np.ndarray:
    """(k,) True where the line through ``points`` (k, 3) and ``other`` runs level within `SQUARE` degrees."""
    joint = np.cross(points, other[None])
    normal = joint[:, :2]
    size = np.hypot(*normal.T)
    # Two points at infinity span no line of the picture.
    return (size < 1e-12) | (np.abs(normal @ across) < math.sin(math.radians(SQUARE)) * np.maximum(size, 1e-12))


def _best(lines, use, allowed, rng, kind, fixed) -> Direction | None:
    """The point that most length of the lines ``use`` aims at, among crossings of pairs and the ``fixed`` ones."""
    some = lines.take(use)
    homogeneous = _homogeneous(some)
    candidates = fixed
    if len(use) > 1:
        chance = some.length / some.length.sum()
        pairs = rng.choice(len(use), (PAIRS, 2), p=chance)
        crossings = np.cross(homogeneous[pairs[:, 0]], homogeneous[pairs[:, 1]])
        size = np.linalg.norm(crossings, axis=1)
        candidates = np.vstack([fixed, _unit(crossings[size > 1e-9])])
    candidates = candidates[allowed(candidates)]
    if not len(candidates):
        return None
    limit = tolerance(some)
    score = (some.length * np.maximum(1.0 - (off_direction(some, candidates) / limit) ** 2, 0.0)).sum(1)
    point = candidates[int(score.argmax())]
    for _ in range(4):
        agree = off_direction(some, point) < limit
        if agree.sum() < 2:
            break
        refined = _refine(some.take(agree), homogeneous[agree], point)
        if not allowed(refined[None])[0]:
            break
        point = refined
    agree = np.flatnonzero(off_direction(some, point) < limit)
    if not len(agree):
        return None
    if len(agree) == 1:
        point = fixed[0]
    return Direction(point, use[agree], _spread(some.take(agree)), float(some.length[agree].sum()), kind)


def _homogeneous(lines: Lines) -> np.ndarray:
    """(n, 3) the lines as (a, b, c) with unit normals."""
    return np.column_stack([lines.normal, -np.einsum("nc,nc->n", lines.normal, lines.middle)])


def _unit(points: np.ndarray) -> np.ndarray:
    """Homogeneous points scaled to unit length in coordinates of about the picture's size."""
    scaled = points * np.array([1.0, 1.0, 1000.0])
    return points / np.linalg.norm(scaled, axis=1)[:, None] * 1.0


def _refine(lines: Lines, homogeneous: np.ndarray, point: np.ndarray) -> np.ndarray:
    """Least squares of the angles at the lines' middles, weighted by length: the smallest eigenvector, three rounds."""
    scale = np.array([1.0, 1.0, 1000.0])
    for _ in range(3):
        aim = point[:2] - lines.middle * point[2]
        weight = lines.length**1.5 / np.maximum((aim**2).sum(1), 1e-18)
        rows = homogeneous * (1.0 / scale) * np.sqrt(weight / weight.max())[:, None]
        _, vectors = np.linalg.eigh(rows.T @ rows)
        solved = vectors[:, 0] / scale
        point = _unit(solved[None])[0]
    return point


def _spread(lines: Lines) -> float:
    """Degrees between the outermost directions, without the outer twentieth of the length on each side."""
    if len(lines) < 2:
        return 0.0
    mean = np.angle((np.exp(2j * np.radians(lines.angle)) * lines.length).sum()) / 2
    turned = (lines.angle - math.degrees(mean) + 90.0) % 180.0 - 90.0
    order = np.argsort(turned)
    share = np.cumsum(lines.length[order]) / lines.length.sum()
    low, high = np.searchsorted(share, 0.05), np.searchsorted(share, 0.95)
    return float(turned[order][min(high, len(order) - 1)] - turned[order][low])


# ---------------------------------------------------------------- eye level


def _eye_level(level: tuple[Direction, ...], vertical: Direction | None, size: tuple[int, int]) -> np.ndarray | None:
    """The line through the level vanishing points; through one, square to the plumb direction."""
    finite = [d for d in level if abs(d.point[2]) * 12 * max(size) > math.hypot(*(d.point[:2] - np.array(size) / 2 * d.point[2]))]
    if not finite:
        return None
    if len(finite) == 1:
        half = np.array(size) / 2.0
        plumb = np.array([0.0, 1.0]) if vertical is None else vertical.way(half[None])[0]
        plumb = plumb * (1.0 if plumb[1] > 0 else -1.0)
        return np.array([*plumb, -float(plumb @ finite[0].at)])
    heaviest = sorted(finite, key=lambda d: -d.weight)[:2]
    line = np.cross(heaviest[0].point, heaviest[1].point)
    line = line / math.hypot(line[0], line[1])
    return line if line[1] > 0 else -line
