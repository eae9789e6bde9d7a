"""Pencil strokes: vector lines with wobble, pressure and width, laid down as graphite on a sheet with a tooth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff.geometry import normals, resample

DAB_MM = 0.12


@dataclass(frozen=True)
class Stroke:
    """``points`` (n, 2) mm; ``width`` (n,) mm; ``load`` (n,): graphite laid down, 1 = a firm HB line."""

    points: np.ndarray
    width: np.ndarray
    load: np.ndarray


def wander(length_mm: float, count: int, rng: np.random.Generator, correlation_mm: float = 14.0) -> np.ndarray:
    """(count,) smooth noise along a line of ``length_mm``, unit spread, mean not removed; no periodicity."""
    step = length_mm / max(count - 1, 1)
    knots = max(int(np.ceil(length_mm / correlation_mm * 2)) + 6, 8)
    values = rng.standard_normal(knots)
    at = np.arange(count) * step / correlation_mm * 2 + rng.uniform(1, 2)
    # Gaussian-weighted mixture of knots half a correlation length apart.
    gap = at[:, None] - np.arange(knots)[None]
    weight = np.exp(-0.5 * (gap / 0.9) ** 2)
    return weight @ values / np.sqrt((weight**2).sum(1))


def wobble(
    points: np.ndarray, rng: np.random.Generator, spread_mm: float, correlation_mm: float = 14.0, *, keep_slope: bool = False
) -> np.ndarray:
    """The line (n, 2) mm displaced by smooth noise of ``spread_mm`` whose mean along the line is zero in x and y.

    Only the mean is removed: a line shorter than the correlation length still tilts or bends a little, as hands do.
    ``keep_slope``: for straight lines, long ones: a slow bow as of the forearm besides the wobble, and the mean slope stays true.
    """
    points = np.asarray(points, float)
    if len(points) < 3 or spread_mm <= 0:
        return points.copy()
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    # A short line is drawn from the fingers: it wanders less than a long one.
    spread_mm = spread_mm * min(1.0, 0.3 + length / 25.0)
    correlation = min(correlation_mm, max(length / 1.5, 2.0))
    noise = np.column_stack([wander(length, len(points), rng, correlation) for _ in (0, 1)])
    if keep_slope:
        noise[:, 0] = 0.65 * noise[:, 0] + 0.9 * wander(length, len(points), rng, max(length / 2.5, correlation))
        along = np.linspace(-1, 1, len(points))
        noise[:, 0] -= noise[:, 0].mean() + along * (along @ noise[:, 0]) / (along @ along)
    # Mostly across the line, a little along it.
    across = normals(points)
    along = np.column_stack([across[:, 1], -across[:, 0]])
    shift = spread_mm * (noise[:, :1] * across + 0.5 * noise[:, 1:] * along)
    return points + shift - shift.mean(0)


def stroke(
    points: np.ndarray,
    rng: np.random.Generator,
    *,
    width: float = 0.45,
    load: float = 1.0,
    taper: float = 0.25,
    vary: float = 0.18,
) -> Stroke:
    """One pencil stroke along (n, 2) mm: width in mm, graphite load, lighter and finer over ``taper`` of each end;
    ``vary``: how much pressure and width wander, 0 for quick short strokes."""
    points = resample(points, DAB_MM)
    n = len(points)
    length = n * DAB_MM
    t = np.linspace(0, 1, n)
    ends = np.clip(np.minimum(t, 1 - t) / max(taper, 1e-6), 0, 1) ** 0.6 if taper > 0 else np.ones(n)
    press, swell = (wander(length, n, rng, 9.0), wander(length, n, rng, 11.0)) if vary else (0.0, 0.0)
    pressure = np.exp(vary * press) * (0.25 + 0.75 * ends)
    wide = np.clip(width * np.exp(0.5 * vary * swell) * (0.7 + 0.3 * ends), 0.2, 1.1)
    return Stroke(points, wide, load * pressure)


def lay_down(strokes: list[Stroke], shape: tuple[int, int], px_per_mm: float) -> np.ndarray:
    """(h, w) float32 graphite load of all strokes; overlaps add up. ``shape`` in px, px = mm * k - 0.5."""
    h, w = shape
    total = np.zeros(h * w, np.float32)
    if not strokes:
        return total.reshape(shape)
    points = np.vstack([s.points for s in strokes]) * px_per_mm - 0.5
    width = np.concatenate([s.width for s in strokes]) * px_per_mm
    load = np.concatenate([s.load for s in strokes])
    reach = int(np.ceil(width.max() * 0.8)) + 1
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    dx, dy = dx.ravel(), dy.ravel()
    for lo in range(0, len(points), 40000):
        p, wide, amount = points[lo : lo + 40000], width[lo : lo + 40000], load[lo : lo + 40000]
        cell = np.round(p).astype(int)
        x, y = cell[:, :1] + dx, cell[:, 1:] + dy
        # A blunt-topped dab; sigma so that the line's width at half darkness is about `wide`.
        r2 = ((x - p[:, :1]) ** 2 + (y - p[:, 1:]) ** 2) / (0.45 * wide[:, None]) ** 2
        dab = np.exp(-0.5 * r2) * (amount * DAB_MM * px_per_mm / wide)[:, None]
        inside = (x >= 0) & (x < w) & (y >= 0) & (y < h)
        total += np.bincount((y * w + x)[inside], dab[inside], minlength=h * w).astype(np.float32)
    return total.reshape(shape)
