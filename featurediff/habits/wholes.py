"""How a whole drawing departs from its reference: its proportion, its lean, its growing to one end; by least squares.

The line-up takes out size, turn and place; what is regular in what is left is told of the whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from featurediff.habits.records import DEGREES, PERCENT, Measured
from featurediff.settings import Tolerances

# With fewer places the whole is not told apart from its parts.
_FEWEST = 6
# They must be spread by so much of the size, in % of it.
_SPREAD = 6.0
# Huber's constant (1964, Annals of Mathematical Statistics 35, 73-101): a single part far off shall not turn the whole.
_HUBER, _TUKEY, _TURNS = 1.345, 4.685, 10
# Squared residuals in limits are not taken for smaller: parts of a drawing are never quite right.
_LEAST = 0.01
# Places with this share of the largest effect show it, if there are so many; they agree when they are off by this share of it.
_OUT, _OUT_FEWEST, _SAME = 0.4, 4, 0.4
# Of those places so many must agree.
AGREE = 0.75


@dataclass(frozen=True)
class Spot:
    """A feature's place in % of the size, with (off, limit) across and down, each None where it is not known."""

    x: float
    y: float
    across: tuple[float, float] | None
    down: tuple[float, float] | None


@dataclass(frozen=True)
class Wholes:
    """Measures of the whole, and what it explains at the place of each spot: (across, down) in % of the size."""

    measures: tuple[Measured, ...] = ()
    explained: tuple[tuple[float, float], ...] = ()


def wholes(label: str, names: frozenset[str], spots: Sequence[Spot], turn_deg: float | None) -> Wholes:
    """Proportion ("aspect", % of the height), growing ("grows", % from the middle to an end), and, where the sheet was squared
    (``turn_deg``: turn of the line-up), the lean of uprights ("lean") and the fall of level lines ("fall") in degrees, clockwise.
    """
    across = [(spot.x, spot.y, *spot.across) for spot in spots if spot.across is not None]
    down = [(spot.x, spot.y, *spot.down) for spot in spots if spot.down is not None]
    if not across or not down:
        return Wholes()
    middle = np.mean([[spot.x, spot.y] for spot in spots], axis=0)
    # Across: width, lean, growing downwards. Down: height, fall.
    x = _fitted(across, middle, lambda u, v: [u, v, u * v])
    y = _fitted(down, middle, lambda u, v: [v, u])
    if x is None or y is None:
        return Wholes()
    wide, lean, grows = x
    tall, fall = y
    tolerances = Tolerances()
    big, angle = tolerances.big_ratio_percent, tolerances.angle_floor_deg

    def measured(name: str, value: float, sigma: float, least: float, unit: str, agree: float) -> Measured:
        limit = max(least, tolerances.certainty_times * sigma)
        return Measured(label, name, value, max(sigma, 1e-3), limit, unit, names, agree=agree)

    aspect = (wide.amount - tall.amount) / (1.0 + tall.amount / 100.0)
    error = math.hypot(wide.sigma, tall.sigma)
    found = [
        measured("aspect", aspect, error, big, PERCENT, _agree((wide, tall), 0.5 * abs(aspect))),
        measured("grows", 0.5 * grows.amount, 0.5 * grows.sigma, big, PERCENT, _agree((grows,), abs(grows.amount))),
    ]
    if turn_deg is not None:
        degrees = math.degrees(0.01)
        for name, term, sign in (("lean", lean, -1.0), ("fall", fall, 1.0)):
            own = sign * degrees * term.amount
            agree = _agree((term,), abs(term.amount)) if abs(own) > 0.5 * abs(turn_deg + own) else 1.0
            found.append(measured(name, turn_deg + own, degrees * term.sigma, angle, DEGREES, agree))
    holds = {each.measure for each in found if abs(each.value) > each.limit and each.agree >= AGREE}
    return Wholes(tuple(found), tuple(_explained(spot, middle, holds, x, y) for spot in spots))


def _explained(spot: Spot, middle: np.ndarray, holds: set[str], x: Sequence[_Term], y: Sequence[_Term]) -> tuple[float, float]:
    """How far the measures that hold put a spot off: what its parts are off by themselves is told without it."""
    u, v = (spot.x - middle[0]) / 100.0, (spot.y - middle[1]) / 100.0
    wide, lean, grows = (term.amount for term in x)
    tall, fall = (term.amount for term in y)
    across, down = 0.0, 0.0
    if "aspect" in holds:
        across, down = across + wide * u, down + tall * v
    if "grows" in holds:
        across += grows * u * v
    if "lean" in holds:
        across += lean * v
    if "fall" in holds:
        down += fall * u
    return float(across), float(down)


def _agree(terms: Sequence[_Term], least: float) -> float:
    """The share of places, out where it shows, that are off as the whole says; else single parts have made up the whole."""
    told = [(term.effects, term.seen) for term in terms if abs(term.amount) >= 0.5 * least]
    if not told:
        return 0.0
    effects, seen = (np.concatenate(each) for each in zip(*told, strict=True))
    out = np.abs(effects) >= _OUT * np.abs(effects).max()
    same = (effects * seen > 0) & (np.abs(seen) >= _SAME * np.abs(effects))
    return float(same[out].mean()) if out.sum() >= _OUT_FEWEST else 0.0


@dataclass(frozen=True)
class _Term:
    """One term of a fit: ``amount`` in % per size, its standard error, its effect at each place (n,) and what is seen there."""

    amount: float
    sigma: float
    effects: np.ndarray
    seen: np.ndarray


def _fitted(rows, middle: np.ndarray, terms) -> list[_Term] | None:
    """The terms of a robust least-squares fit; None when the places do not tell them.

    Huber's weights, then Tukey's (Beaton and Tukey 1974, Technometrics 16, 147-185), with the limits as scale: parts that are
    wrong by themselves have no say in the whole.
    """
    data = np.array(rows, float)
    u, v = ((data[:, k] - middle[k]) / 100.0 for k in (0, 1))
    if len(data) < _FEWEST or min(np.std(u), np.std(v)) * 100.0 < _SPREAD:
        return None
    columns = np.column_stack([np.ones(len(data)), *terms(u, v)])
    off, limit = data[:, 2], np.maximum(data[:, 3], 1e-6)
    if np.linalg.cond(columns / limit[:, None]) > 1e4:
        return None
    weight = 1.0 / limit**2
    for turn in range(2 * _TURNS):
        solved = _solve(columns, off, weight)
        if solved is None:
            return None
        left = np.abs(off - columns @ solved[0]) / (0.5 * limit)
        robust = (
            np.minimum(1.0, _HUBER / np.maximum(left, 1e-9)) if turn < _TURNS else np.maximum(1 - (left / _TUKEY) ** 2, 0) ** 2
        )
        weight = robust / limit**2
    amounts, inverse = solved
    freedom = max(int((weight > 0).sum()) - columns.shape[1], 1)
    rest = off - columns @ amounts
    # The parts' own errors are what makes the whole uncertain.
    variance = np.diag(inverse) * max(float(np.sum(weight * rest**2)) / freedom, _LEAST)
    effects = columns * amounts
    return [
        _Term(float(amounts[k]), math.sqrt(float(variance[k])), effects[:, k], effects[:, k] + rest)
        for k in range(1, columns.shape[1])
    ]


def _solve(columns: np.ndarray, off: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Weighted least squares: amounts and the inverse normal matrix; None when too few places are left."""
    normal = (columns * weight[:, None]).T @ columns
    if (weight > 0).sum() <= columns.shape[1] or np.linalg.cond(normal) > 1e8:
        return None
    inverse = np.linalg.inv(normal)
    return inverse @ ((columns * weight[:, None]).T @ off), inverse
