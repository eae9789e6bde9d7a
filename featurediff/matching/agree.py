"""Neighbours that agree: choose one candidate for every stretch so that score and company are both good.

One line in ten jumps to a parallel neighbour when every line is matched alone. A real error moves a feature, or a block of
them; it does not move every second stretch of a curve. So a shift that differs from the neighbours' costs something, up to a
limit that a real, clear error can pay.
"""

from __future__ import annotations

import numpy as np

from featurediff.matching.candidates import Candidate
from featurediff.matching.units import Stretch

NEIGHBOURS = 5
SCORE_WEIGHT = 30.0
COMPANY_LIMIT = 2.0


def neighbour_weights(stretches: list[Stretch], size: float) -> np.ndarray:
    """(n, n) weights of how much a stretch minds the others: the same curve's next stretch most, then the nearest."""
    centres = np.array([s.centre for s in stretches])
    gap = np.hypot(*(centres[:, None] - centres[None]).transpose(2, 0, 1))
    weights = np.exp(-0.5 * (gap / (0.12 * size)) ** 2)
    np.fill_diagonal(weights, 0.0)
    nearest = np.argsort(gap, axis=1)[:, 1 : NEIGHBOURS + 1]
    keep = np.zeros_like(weights, bool)
    np.put_along_axis(keep, nearest, True, 1)
    weights *= keep | keep.T
    for i, a in enumerate(stretches):
        for j, b in enumerate(stretches):
            touching = min(abs(a.arc[1] - b.arc[0]), abs(b.arc[1] - a.arc[0])) < 1.0
            if i != j and a.feature == b.feature and touching:
                weights[i, j] = 2.0
    return weights


def disagreement(a: Candidate, b: Candidate, slack: float) -> float:
    """Squared distance of two shifts in units of their joint uncertainty plus ``slack`` px, capped at `COMPANY_LIMIT`."""
    joint = a.covariance + b.covariance + slack * slack * np.eye(2)
    difference = a.shift - b.shift
    return min(0.5 * float(difference @ np.linalg.solve(joint, difference)), COMPANY_LIMIT)


def choose(stretches: list[Stretch], candidates: list[list[Candidate]], size: float, rounds: int = 6) -> list[int]:
    """Index of the chosen candidate for every stretch, -1 where it has none. Iterated conditional modes (Besag 1986)."""
    weights = neighbour_weights(stretches, size)
    slack = 0.006 * size
    chosen = [0 if options else -1 for options in candidates]
    links: dict[tuple[int, int], np.ndarray] = {}
    for i, j in zip(*np.nonzero(weights), strict=True):
        if candidates[i] and candidates[j]:
            links[i, j] = np.array([[disagreement(a, b, slack) for b in candidates[j]] for a in candidates[i]])
    alone = [SCORE_WEIGHT * (1 - np.array([c.score for c in options])) for options in candidates]
    for _ in range(rounds):
        before = list(chosen)
        for i, options in enumerate(candidates):
            if len(options) < 2:
                continue
            cost = alone[i].copy()
            for j in np.nonzero(weights[i])[0]:
                if (i, j) in links:
                    cost += weights[i, j] * links[i, j][:, chosen[j]]
            chosen[i] = int(np.argmin(cost))
        if chosen == before:
            break
    return chosen
