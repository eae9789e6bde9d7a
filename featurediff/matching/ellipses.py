"""Ellipses looked at the whole way round: of several lines side by side, those that belong together.

A lip has an outer and an inner edge, construction ellipses are drawn through, restated lines run beside each other. A short piece
of the reference looks like each of them; only the whole way round tells which belong to one another. So the surroundings of the
ellipse are laid out flat, in the reference and in the drawing, and the change of the ellipse (move, both axes, turn, ends that
come to points) is searched for under which all of it is most alike. No piece decides by itself, and a stretch that is hidden, not
drawn, or taken by another line is outvoted.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.geometry import normals, resample
from featurediff.matching.banks import Bank
from featurediff.matching.candidates import INFLATION
from featurediff.matching.closeup import ZOOM, CloseUp
from featurediff.matching.correlate import Field
from featurediff.matching.strips import Profile, Rows, across_of, correlation, profile_of, rows_of

# Lengths as fractions of the frame's size.
ALONG = 0.008
ACROSS = 0.0025
# Wide enough to see both edges of a lip, then narrow enough to lie on one of them.
WIDE_SIGMA = 0.010
NARROW_SIGMA = 0.007
REACH = 0.034
# How far each axis is changed at most in the first search, as a share of its half and of the frame's size.
MOST_GROWN = 0.3
MOST_GROWN_SIZE = 0.022
MOST_MOVED = 0.017
MOST_TURNED = 0.15
MOST_POINTED = 0.25
COARSE_STEP = 0.0055
STARTS = 4
FINEST = 0.0004
MOST_PLACES, LEAST_PLACES = 160, 48
# A freehand line strays from its course by about this much (standard deviation), and over this length as one.
STRAY = 0.0018
STRAY_LENGTH = 0.05
# What a change from where the ellipse is expected costs: to choose among places nearly alike, and, much less, in the end.
_PENALTY, _LAST_PENALTY = 0.12, 0.03
_AMOUNTS = 6
# What may change, and the penalty: at first no ends that come to points, which a shorter ellipse is easily taken for.
_ROUND, _ANY = (_AMOUNTS - 1, _PENALTY), (_AMOUNTS, _LAST_PENALTY)


@dataclass(frozen=True)
class Ring:
    """A closed curve in frame px: ``points`` (n, 2) at even distances, the displacements ``fields`` (6, n, 2) of its points for
    each way in which it changes, one px at most each: move right, move down, longer, wider, turned, pointed. ``reach`` (6,): px
    by which each is tried at most."""

    points: np.ndarray
    fields: np.ndarray
    reach: np.ndarray

    def moved(self, amounts: np.ndarray) -> np.ndarray:
        """(n, 2) the points after changes by ``amounts`` (6,) px."""
        return self.points + np.tensordot(amounts, self.fields, 1)


@dataclass(frozen=True)
class EllipseFit:
    """``amounts`` (6,) px of a `Ring`'s changes, their ``covariance`` (6, 6), and how alike both pictures are, ``score``."""

    amounts: np.ndarray
    covariance: np.ndarray
    score: float


def ring_of(curve: np.ndarray, size: float) -> Ring:
    """The ring of an ellipse's outline (n, 2) px, where the subject has ``size`` px."""
    length = float(np.hypot(*(np.roll(curve, -1, 0) - curve).T).sum())
    count = int(np.clip(round(length / (ALONG * size)), LEAST_PLACES, MOST_PLACES))
    points = resample(curve, length / count, closed=True)
    long, short, *_ = _axes(curve)
    grown = [min(MOST_GROWN * half, MOST_GROWN_SIZE * size) for half in (long, short)]
    reach = np.array([MOST_MOVED * size, MOST_MOVED * size, *grown, MOST_TURNED * long, MOST_POINTED * short])
    return Ring(points, changes(points, curve), reach)


def changes(points: np.ndarray, outline: np.ndarray) -> np.ndarray:
    """Displacements (6, n, 2) of ``points`` (n, 2) of the ellipse ``outline`` (m, 2) per px of each change."""
    half_long, half_short, long, short = _axes(outline)
    arm = points - outline.mean(0)
    u, v = arm @ long / half_long, arm @ short / half_short
    t = np.clip(np.abs(u), 0.0, 1.0)
    return np.array(
        [
            np.tile([1.0, 0.0], (len(points), 1)),
            np.tile([0.0, 1.0], (len(points), 1)),
            np.outer(u, long),
            np.outer(v, short),
            np.column_stack([-arm[:, 1], arm[:, 0]]) / half_long,
            # Two arcs in place of an ellipse take away a quarter of the half height at most: see `bends.pointed_field`.
            np.outer(4.0 * v * (np.sqrt(1.0 - t**2) - 1.0), short),
        ]
    )


def _axes(outline: np.ndarray) -> tuple[float, float, np.ndarray, np.ndarray]:
    """Half lengths and directions (2,) of the long and the short axis of an outline (n, 2)."""
    arm = outline - outline.mean(0)
    long, short = np.linalg.svd(arm, full_matrices=False)[2]
    return max(float(np.abs(arm @ long).max()), 1e-6), max(float(np.abs(arm @ short).max()), 1e-6), long, short


def fit_rim(look: CloseUp, curve: np.ndarray, start: np.ndarray) -> EllipseFit | None:
    """`fit_ellipse` in a close look at an outline (n, 2) of the frame; its amounts in px of the frame."""
    fit = fit_ellipse(look.bank, look.drawing, ring_of(look.inside(curve), look.size), ZOOM * start, look.size)
    return fit and EllipseFit(fit.amounts / ZOOM, fit.covariance / ZOOM**2, fit.score)


def fit_ellipse(bank: Bank, drawing: Field, ring: Ring, start: np.ndarray, size: float) -> EllipseFit | None:
    """The ellipse in the drawing, around the place that a shift ``start`` (2,) px brings the ring to; None when blank."""
    wide = _profile(bank.field, ring, WIDE_SIGMA * size, ACROSS * size)
    narrow = _profile(bank.field, ring, NARROW_SIGMA * size, ACROSS * size)
    if wide is None or narrow is None:
        return None
    first = np.array([*start, 0.0, 0.0, 0.0, 0.0])
    rows = _look(wide, drawing, ring, first, REACH * size)
    tried = [_climb(wide, drawing, ring, first + step, first, size) for step in _starts(wide, rows, ring, first, size)]
    best = max(tried, key=lambda fit: fit[1])[0]
    best, score, rows = _settled(narrow, drawing, ring, best, first, size)
    return EllipseFit(best, _covariance(narrow, rows, ring, best, bank.grain, score, size), score)


def _profile(field: Field, ring: Ring, sigma: float, step: float) -> Profile | None:
    at = np.arange(len(ring.points)) * float(np.hypot(*(ring.points[1] - ring.points[0])))
    return profile_of(_strip(field, ring.points, across_of(sigma, step)), at, sigma, step)


def _strip(field: Field, points: np.ndarray, aside: np.ndarray) -> np.ndarray:
    """(n, m, K) values along the normals of a closed curve."""
    where = points[:, None] + aside[None, :, None] * normals(points, True)[:, None]
    x, y = (np.ascontiguousarray(where[..., k], np.float32) for k in (0, 1))
    return cv2.remap(field.layers, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _look(found: Profile, drawing: Field, ring: Ring, amounts: np.ndarray, radius: float) -> Rows:
    steps = int(np.ceil(radius / found.step)) + (len(found.weight) - 1) // 2
    return rows_of(found, _strip(drawing, ring.moved(amounts), np.arange(-steps, steps + 1) * found.step))


def _scores(found: Profile, rows: Rows, offsets: np.ndarray) -> np.ndarray:
    """(K,) correlation of the whole ring for K sets of offsets along its normals, (K, n) px."""
    count, width = rows.product.shape
    at = np.clip((offsets - rows.offsets[0]) / found.step, 0, width - 1.001)
    low = at.astype(int)
    share = at - low
    place = np.arange(count)[None] * width + low
    sums = []
    for table in (rows.product, rows.first, rows.second):
        flat = np.ascontiguousarray(table).ravel()
        sums.append((flat[place] * (1 - share) + flat[place + 1] * share).sum(1))
    return correlation(found, *sums, count, float(found.energy.sum()))


def _across(ring: Ring, amounts: np.ndarray) -> np.ndarray:
    """(n, 6) px along the normals of the moved ring per px of each change."""
    return np.einsum("knd,nd->nk", ring.fields, normals(ring.moved(amounts), True))


def _starts(found: Profile, rows: Rows, ring: Ring, first: np.ndarray, size: float) -> list[np.ndarray]:
    """Changes (6,) of move and axes worth a closer look: the best of a grid, unlike each other."""
    step = COARSE_STEP * size
    ways = [np.arange(-np.floor(reach / step), np.floor(reach / step) + 1) * step for reach in ring.reach[:4]]
    grid = np.array(list(itertools.product(*ways)))
    across = _across(ring, first)[:, :4]
    thin = slice(None, None, 2)
    thinned = Profile(found.kernel[thin], found.weight, found.at[thin], found.step, found.energy[thin])
    half = Rows(rows.product[thin], rows.first[thin], rows.second[thin], rows.offsets)
    scores = np.concatenate(
        [_scores(thinned, half, part @ across[thin].T) for part in np.array_split(grid, max(len(grid) // 2000, 1))]
    )
    scores -= _PENALTY * ((grid / ring.reach[:4]) ** 2).sum(1)
    kept: list[np.ndarray] = []
    for k in np.argsort(-scores):
        if all(np.abs(grid[k] - other).max() > 1.5 * step for other in kept):
            kept.append(grid[k])
        if len(kept) == STARTS:
            break
    return [np.array([*each, 0.0, 0.0]) for each in kept]


def _climb(
    found: Profile, drawing: Field, ring: Ring, amounts: np.ndarray, first: np.ndarray, size: float
) -> tuple[np.ndarray, float]:
    """The nearest best ellipse to ``amounts`` and its score less its penalty, in steps that grow smaller."""
    score = -np.inf
    for radius in (0.5 * REACH, 0.35 * REACH):
        rows = _look(found, drawing, ring, amounts, radius * size)
        amounts, score = _pattern(found, rows, ring, amounts, first, _ROUND, 0.5 * COARSE_STEP * size, 0.001 * size)
    return amounts, score


def _settled(
    found: Profile, drawing: Field, ring: Ring, amounts: np.ndarray, first: np.ndarray, size: float
) -> tuple[np.ndarray, float, Rows]:
    for last in (_ROUND, _ANY, _ANY):
        rows = _look(found, drawing, ring, amounts, 0.3 * REACH * size)
        amounts, _ = _pattern(found, rows, ring, amounts, first, last, 0.0025 * size, FINEST * size)
    rows = _look(found, drawing, ring, amounts, 0.3 * REACH * size)
    return amounts, float(_scores(found, rows, np.zeros((1, len(ring.points))))[0]), rows


def _pattern(
    found: Profile,
    rows: Rows,
    ring: Ring,
    amounts: np.ndarray,
    first: np.ndarray,
    freedom: tuple[int, float],
    step: float,
    finest: float,
) -> tuple[np.ndarray, float]:
    """Pattern search (Hooke and Jeeves 1961, Journal of the ACM 8) over the six amounts, from those that the rows lie along."""
    across = _across(ring, amounts)
    count, penalty = freedom
    ways = np.vstack([np.eye(_AMOUNTS)[:count], -np.eye(_AMOUNTS)[:count]])
    # Wider and moved, longer and moved: one side of the ellipse changes.
    ways = np.vstack([ways, [one + other for one, other in itertools.combinations(ways, 2) if (one != -other).any()]])

    def value(some: np.ndarray) -> np.ndarray:
        cost = penalty * (((some - first) / ring.reach) ** 2).sum(1)
        return _scores(found, rows, (some - amounts) @ across.T) - cost

    best, score = amounts, float(value(amounts[None])[0])
    while step > finest:
        some = np.vstack([best + step * ways, _top(value, best, step, count)])
        values = value(some)
        k = int(values.argmax())
        if values[k] > score + 1e-7:
            best, score = some[k], float(values[k])
        else:
            step /= 2
    return best, score


def _top(value: Callable[[np.ndarray], np.ndarray], at: np.ndarray, step: float, count: int) -> np.ndarray:
    """(6,) the top of the paraboloid through the values ``step`` px around: the way along a slanting ridge (Newton).

    Only the first ``count`` amounts change.
    """
    steps = step * np.eye(_AMOUNTS)[:count]
    pairs = list(itertools.combinations(range(count), 2))
    some = [at[None], at + steps, at - steps, *(at + np.array([steps[i] + steps[j], -steps[i] - steps[j]]) for i, j in pairs)]
    values = value(np.vstack(some))
    middle, plus, minus = values[0], values[1 : count + 1], values[count + 1 : 2 * count + 1]
    crossed = values[2 * count + 1 :].reshape(-1, 2)
    slope = (plus - minus) / (2 * step)
    bend = np.diag(plus + minus - 2 * middle)
    for (i, j), (both, neither) in zip(pairs, crossed, strict=True):
        bend[i, j] = bend[j, i] = 0.5 * (both + neither - plus[i] - minus[i] - plus[j] - minus[j] + 2 * middle)
    falls, ways = np.linalg.eigh(bend / step**2)
    falls = np.minimum(falls, -1e-3 * np.abs(falls).max() - 1e-12)
    move = -ways @ ((ways.T @ slope) / falls)
    return at + min(1.0, 4 * step / max(float(np.abs(move).max()), 1e-12)) * np.pad(move, (0, _AMOUNTS - count))


def _covariance(
    found: Profile, rows: Rows, ring: Ring, amounts: np.ndarray, grain: float, score: float, size: float
) -> np.ndarray:
    """(6, 6) px^2: the pencil strays along the ring, and the peak is only so sharp."""
    across = _across(ring, amounts)
    count = len(ring.points)
    length = float(found.at[1] - found.at[0])
    gap = np.abs(np.arange(count)[:, None] - np.arange(count)[None])
    gap = np.minimum(gap, count - gap) * length
    noise = (STRAY * size) ** 2 * np.exp(-0.5 * (gap / (STRAY_LENGTH * size)) ** 2)
    moved = _scores(found, rows, np.array([-1.0, 0.0, 1.0])[:, None] * found.step * np.ones(count))
    bend = max(-(moved[0] - 2 * moved[1] + moved[2]) / found.step**2, 1e-5)
    score = min(max(score, 0.05), 0.98)
    looks = length * found.weight.sum() * found.step / (2 * np.pi * grain**2)
    noise += np.eye(count) * INFLATION * (1 - score * score) / (bend * score * max(looks, 1e-3))
    # Slack amounts: what the ring does not tell stays within what was tried.
    inverse = np.linalg.inv(across.T @ across + np.diag(1e-3 * count / ring.reach**2))
    gain = inverse @ across.T
    return gain @ noise @ gain.T
