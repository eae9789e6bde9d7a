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
_SPREAD = 10.0
# Huber's constant (1964, Annals of Mathematical Statistics 35, 73-101): a single part far off shall not turn the whole.
_HUBER = 1.345


@dataclass(frozen=True)
class Spot:
    """A feature's place in % of the size, with (off, limit) across and down, each None where it is not known."""

    x: float
    y: float
    across: tuple[float, float] | None
    down: tuple[float, float] | None


def wholes(label: str, names: frozenset[str], spots: Sequence[Spot], turn_deg: float | None) -> list[Measured]:
    """Proportion ("aspect", % of the height), growing ("grows", % from the middle to an end), and, where the sheet was squared
    (``turn_deg``: turn of the line-up), the lean of uprights ("lean") and the fall of level lines ("fall") in degrees, clockwise.
    """
    across = [(spot.x, spot.y, *spot.across) for spot in spots if spot.across is not None]
    down = [(spot.x, spot.y, *spot.down) for spot in spots if spot.down is not None]
    if not across or not down:
        return []
    middle = np.mean([[spot.x, spot.y] for spot in spots], axis=0)
    # Across: width, lean, growing downwards. Down: height, fall.
    x = _fitted(across, middle, lambda u, v: [u, v, u * v])
    y = _fitted(down, middle, lambda u, v: [v, u])
    if x is None or y is None:
        return []
    (wide, lean, grows), (tall, fall) = x, y
    tolerances = Tolerances()
    big, angle = tolerances.big_ratio_percent, tolerances.angle_floor_deg

    def measured(name: str, value: float, sigma: float, least: float, unit: str) -> Measured:
        limit = max(least, tolerances.certainty_times * sigma)
        return Measured(label, name, value, max(sigma, 1e-3), limit, unit, names)

    aspect = (wide[0] - tall[0]) / (1.0 + tall[0] / 100.0)
    found = [
        measured("aspect", aspect, math.hypot(wide[1], tall[1]), big, PERCENT),
        measured("grows", 0.5 * grows[0], 0.5 * grows[1], big, PERCENT),
    ]
    if turn_deg is not None:
        degrees = math.degrees(0.01)
        found += [
            measured("lean", turn_deg - degrees * lean[0], degrees * lean[1], angle, DEGREES),
            measured("fall", turn_deg + degrees * fall[0], degrees * fall[1], angle, DEGREES),
        ]
    return found


def _fitted(rows, middle: np.ndarray, terms) -> list[tuple[float, float]] | None:
    """(amount in % per size, standard error) of each term; None when the places do not tell them."""
    data = np.array(rows, float)
    u, v = ((data[:, k] - middle[k]) / 100.0 for k in (0, 1))
    if len(data) < _FEWEST or min(np.std(u), np.std(v)) * 100.0 < _SPREAD:
        return None
    columns = np.column_stack([np.ones(len(data)), *terms(u, v)])
    off, limit = data[:, 2], np.maximum(data[:, 3], 1e-6)
    weight = 1.0 / limit**2
    for _ in range(20):
        matrix = columns * weight[:, None]
        if np.linalg.cond(columns * np.sqrt(weight)[:, None]) > 1e4:
            return None
        inverse = np.linalg.inv(matrix.T @ columns)
        amounts = inverse @ matrix.T @ off
        left = np.abs(off - columns @ amounts) / (0.5 * limit)
        weight = np.minimum(1.0, _HUBER / np.maximum(left, 1e-9)) / limit**2
    freedom = max(len(data) - columns.shape[1], 1)
    # The parts' own errors are what makes the whole uncertain.
    variance = np.diag(inverse) * max(float(np.sum(weight * (off - columns @ amounts) ** 2)) / freedom, 0.01)
    return [(float(amount), math.sqrt(float(own))) for amount, own in zip(amounts[1:], variance[1:], strict=True)]
