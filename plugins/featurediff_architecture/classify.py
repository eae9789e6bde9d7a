"""Which way each line runs: vertical, receding left, receding right, level, slope."""

from __future__ import annotations

import math

import numpy as np

from featurediff_architecture.directions import Directions, off_direction, tolerance
from featurediff_architecture.segments import Lines

VERTICAL, LEFT, RIGHT, LEVEL, SLOPE, OTHER = "vertical", "receding left", "receding right", "level", "slope", "other"
# A line this near (degrees) to level on the picture, whatever it aims at, is told as level.
FLAT = 1.2
# Slopes rise at least and at most so steeply (degrees from level).
GENTLE, STEEP = 12.0, 78.0


def classify(lines: Lines, directions: Directions) -> tuple[np.ndarray, np.ndarray]:
    """Class (n,) of each line, and the number (n,) of the level direction that it aims at (-1: none)."""
    n = len(lines)
    kinds = np.full(n, OTHER, dtype=object)
    aims = np.full(n, -1)
    if not n:
        return kinds, aims
    limit = 1.4 * tolerance(lines)
    down = directions.down(lines.middle)
    from_plumb = _between(lines, down)
    across = _level_way(directions)
    from_level = _between(lines, np.tile(across, (n, 1)))
    slope = (from_level > GENTLE) & (from_level < STEEP)
    kinds[slope] = SLOPE
    best = np.full(n, np.inf)
    for k, direction in enumerate(directions.level):
        off = off_direction(lines, direction.point) / limit
        # The stronger direction keeps a line on which both agree, near the eye level.
        take = (off < 1.0) & (off < best - 0.3)
        aims[take], best[take] = k, np.minimum(best, off)[take]
    for k, direction in enumerate(directions.level):
        mine = aims == k
        side = np.where(_to_the_right(direction, lines.middle), RIGHT, LEFT)
        kinds[mine] = side[mine]
    kinds[from_level < FLAT] = LEVEL
    kinds[from_plumb < np.minimum(limit, 3.0)] = VERTICAL
    aims[kinds == VERTICAL] = -1
    return kinds, aims


def _between(lines: Lines, way: np.ndarray) -> np.ndarray:
    """Degrees 0..90 between each line and ``way`` (n, 2)."""
    cosine = np.abs(np.einsum("nc,nc->n", lines.direction, way))
    return np.degrees(np.arccos(np.clip(cosine, 0, 1)))


def _level_way(directions: Directions) -> np.ndarray:
    """(2,) the way of the eye level on the picture."""
    if directions.eye_level is not None:
        a, b, _ = directions.eye_level
        return np.array([b, -a])
    down = directions.down(np.array([directions.size]) / 2.0)[0]
    return np.array([down[1], -down[0]])


def _to_the_right(direction, points: np.ndarray) -> np.ndarray:
    """(n,) True where the vanishing point lies to the right of ``points``."""
    x, _, w = direction.point
    if abs(w) < 1e-12:
        return np.full(len(points), x > 0)
    return x / w > points[:, 0] if math.isfinite(x / w) else np.full(len(points), x > 0)
