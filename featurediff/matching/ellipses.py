"""The pieces of an ellipse lie on one ellipse: of several lines side by side, those that belong together.

A lip has an outer and an inner edge, construction ellipses are drawn through, restated lines run beside each other. A short
piece of the reference looks like each of them; only the whole way round tells which belong to one another. So the change of the
ellipse (move, both axes, turn) that most pieces tell is fitted, without those that disagree (Tukey's weights, from generous to
strict); these take another of their places, one that lies on it, or none. What is left of a piece's own departure stays: the
drawn line need not be an ellipse.
"""

from __future__ import annotations

import numpy as np

from featurediff.geometry import normals
from featurediff.matching.candidates import Candidate

# As a share of the subject's size: how closely a piece must lie on the common ellipse. Points at its ends depart by less.
CLOSE = 0.008
_ROUNDS = 12
LEAST_PIECES = 7
_STARTS = 8


def on_one_ellipse(pieces: list[np.ndarray], options: list[list[Candidate]], size: float) -> list[Candidate | None]:
    """For each piece (n, 2), frame px, that one of its ``options``, the likeliest first, which lies on the ellipse common to
    most of them; None when none does. Fewer than seven pieces can't tell: each keeps its first."""
    if len(pieces) < LEAST_PIECES:
        return [each[0] if each else None for each in options]
    middles = np.array([points[len(points) // 2] for points in pieces])
    across = np.array([normals(points)[len(points) // 2] for points in pieces])
    fields = _fields(middles, across)
    told = np.array([float(each[0].shift @ across[k]) if each else 0.0 for k, each in enumerate(options)])
    model = fields @ _robust(fields, told, np.array([float(bool(each)) for each in options]), CLOSE * size)
    chosen: list[Candidate | None] = []
    for k, each in enumerate(options):
        near = [one for one in each if abs(float(one.shift @ across[k]) - model[k]) < CLOSE * size]
        chosen.append(near[0] if near else None)
    return chosen


def _fields(middles: np.ndarray, across: np.ndarray) -> np.ndarray:
    """(m, 5): the offset along each piece's normal per px of move right, move down, longer and shorter axis, turn at the ends."""
    arm = middles - middles.mean(0)
    axes = np.linalg.svd(arm, full_matrices=False)[2]
    reach = [max(float(np.abs(arm @ axis).max()), 1e-9) for axis in axes]
    grown = [np.outer(arm @ axis, axis) / r for axis, r in zip(axes, reach, strict=True)]
    turned = np.column_stack([-arm[:, 1], arm[:, 0]]) / reach[0]
    moves = [np.tile(axis, (len(arm), 1)) for axis in np.eye(2)]
    return np.column_stack([np.sum(across * each, 1) for each in (*moves, *grown, turned)])


def _robust(fields: np.ndarray, offset: np.ndarray, trust: np.ndarray, close: float) -> np.ndarray:
    """(5,): the change of the ellipse that most of the pieces tell.

    Lines side by side are exchanged for a whole stretch, so it is begun without each third of the way round in turn as well.
    """
    count = len(offset)
    starts = [trust]
    for k in range(_STARTS):
        kept = (np.arange(count) - round(k * count / _STARTS)) % count >= count // 3
        starts.append(trust * np.maximum(kept, 1e-2))
    fits = [_fitted(fields, offset, trust, start, close, 3.0 if start is trust else 1.0) for start in starts]
    return max(fits, key=lambda fit: fit[1])[0]


def _fitted(
    fields: np.ndarray, offset: np.ndarray, trust: np.ndarray, say: np.ndarray, close: float, generous: float
) -> tuple[np.ndarray, float]:
    """The amounts (5,) reached from first weights ``say`` (m,) and a first width ``generous`` times ``close``, and the weight of
    the pieces that agree in the end."""
    amounts = np.zeros(fields.shape[1])
    for turn in range(_ROUNDS):
        weighted = fields * say[:, None]
        amounts = np.linalg.solve(weighted.T @ fields + 1e-3 * np.eye(len(amounts)), weighted.T @ offset)
        left = np.abs(offset - fields @ amounts) / (close * max(generous * 0.75**turn, 1.0))
        say = trust * np.maximum(1.0 - np.minimum(left, 1.0) ** 2, 1e-2) ** 2
    return amounts, float(say.sum())
