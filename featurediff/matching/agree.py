"""Neighbours that agree: choose one candidate for every stretch so that score and company are both good.

One line in ten jumps to a parallel neighbour when every line is matched alone. A real error moves a feature, or a block of
them; it does not move every second stretch of a curve. So a shift that differs from the neighbours' costs something, up to a
limit that a real, clear error can pay.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from featurediff.matching.candidates import Candidate

NEIGHBOURS = 5
SCORE_WEIGHT = 30.0
# A correlation that rests on fewer looks than this is believed less.
FULL_SAMPLES = 50.0
COMPANY_LIMIT = 2.0
SAME_CURVE = 2.0
SAME_BLOCK = 1.0


@dataclass(frozen=True)
class Node:
    """Something that was searched for: ``members`` are the features it belongs to, ``centre`` (2,) px, ``arc`` its stretch of
    the curve or None for a block."""

    members: tuple[int, ...]
    centre: np.ndarray
    arc: tuple[float, float] | None = None


def company(nodes: list[Node], size: float) -> np.ndarray:
    """(n, n) weights of how much a node minds the others: its curve's next stretch, its block, then its nearest neighbours."""
    centres = np.array([node.centre for node in nodes])
    gap = np.hypot(*(centres[:, None] - centres[None]).transpose(2, 0, 1))
    weights = np.exp(-0.5 * (gap / (0.12 * size)) ** 2)
    np.fill_diagonal(weights, 0.0)
    keep = np.zeros_like(weights, bool)
    np.put_along_axis(keep, np.argsort(gap, axis=1)[:, 1 : NEIGHBOURS + 1], True, 1)
    weights *= keep | keep.T
    for i, j, tie in _ties(nodes):
        weights[i, j] = weights[j, i] = tie
    return weights


def _ties(nodes: list[Node]) -> Iterator[tuple[int, int, float]]:
    """Pairs that belong together: stretches of one curve that touch, and a block with every stretch of its members."""
    stretches: dict[int, list[int]] = {}
    for i, node in enumerate(nodes):
        if node.arc is not None:
            stretches.setdefault(node.members[0], []).append(i)
    for own in stretches.values():
        for i, j in itertools.combinations(own, 2):
            (start, end), (other_start, other_end) = nodes[i].arc, nodes[j].arc
            if min(abs(end - other_start), abs(other_end - start)) < 1.0:
                yield i, j, SAME_CURVE
    for i, node in enumerate(nodes):
        if node.arc is None:
            for member in node.members:
                for j in stretches.get(member, []):
                    yield i, j, SAME_BLOCK


def disagreements(a: list[Candidate], b: list[Candidate], slack: float) -> np.ndarray:
    """(len(a), len(b)) half squared distances of two shifts in units of their joint uncertainty plus ``slack`` px, each capped
    at `COMPANY_LIMIT`."""
    difference = np.array([c.shift for c in a])[:, None] - np.array([c.shift for c in b])[None]
    joint = np.array([c.covariance for c in a])[:, None] + np.array([c.covariance for c in b])[None]
    xx, yy, xy = joint[..., 0, 0] + slack**2, joint[..., 1, 1] + slack**2, joint[..., 0, 1]
    dx, dy = difference[..., 0], difference[..., 1]
    squared = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy)
    return np.minimum(0.5 * squared, COMPANY_LIMIT)


def choose(
    nodes: list[Node],
    candidates: list[list[Candidate]],
    size: float,
    rounds: int = 6,
    rivals: dict[tuple[int, int], np.ndarray] | None = None,
) -> list[int]:
    """Index of the chosen candidate for every node, -1 where it has none.

    ``rivals``: for pairs of nodes, further costs (candidates of one, candidates of the other) of a choice that both can't make.
    Iterated conditional modes (Besag 1986).
    """
    weights = company(nodes, size)
    slack = 0.006 * size
    chosen = [0 if options else -1 for options in candidates]
    links: dict[tuple[int, int], np.ndarray] = {}
    for i, j in zip(*np.nonzero(weights), strict=True):
        if candidates[i] and candidates[j]:
            links[i, j] = disagreements(candidates[i], candidates[j], slack)
    alone = [np.array([_alone(c) for c in options]) for options in candidates]
    beside: list[list[tuple[int, np.ndarray]]] = [[] for _ in nodes]
    for (i, j), link in links.items():
        beside[i].append((j, weights[i, j] * link))
    for (i, j), link in (rivals or {}).items():
        beside[i].append((j, link))
        beside[j].append((i, link.T))
    for _ in range(rounds):
        before = list(chosen)
        for i, options in enumerate(candidates):
            if len(options) < 2:
                continue
            chosen[i] = int(np.argmin(sum((link[:, chosen[j]] for j, link in beside[i]), alone[i].copy())))
        if chosen == before:
            break
    return chosen


def _alone(candidate: Candidate) -> float:
    return SCORE_WEIGHT * min(candidate.samples / FULL_SAMPLES, 1.0) * (1.0 - candidate.believed)
