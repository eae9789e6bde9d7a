"""Equal steps along a row on a facade seen straight on: which places of it are empty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Steps:
    """Equal steps that explain places on a line: place k lies at ``start`` + ``number[k]`` * ``step``.

    ``off`` is the largest distance from there, by the step; ``missing`` are the numbers in between at which nothing stands.
    """

    start: float
    step: float
    number: tuple[int, ...]
    off: float

    @property
    def missing(self) -> tuple[int, ...]:
        return tuple(n for n in range(self.number[0], self.number[-1] + 1) if n not in self.number)


def equal_steps(places: np.ndarray, loose: float = 0.06) -> Steps | None:
    """The equal steps that explain ``places`` (n,), n >= 3, in rising order, on a line seen straight on, or None.

    A step is skipped where something is missing; at most every second one. ``loose``: how far a place may lie off, by the step.
    """
    places = np.asarray(places, float)
    if len(places) < 3:
        return None
    gaps = np.diff(places)
    for step in (np.median(gaps), gaps.min()):
        if step <= 0:
            return None
        number = np.concatenate([[0], np.cumsum(np.maximum(np.round(gaps / step), 1))]).astype(int)
        if number[-1] > 2 * (len(places) - 1):
            continue
        slope, start = np.polyfit(number, places, 1)
        off = float(np.abs(start + slope * number - places).max() / slope)
        if off <= loose:
            return Steps(float(start), float(slope), tuple(int(n) for n in number), off)
    return None
