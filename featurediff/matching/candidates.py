"""Places on the drawing where a stretch of the reference could be: the peaks of its correlation, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from featurediff.matching.correlate import Field, Template, score_map, subpixel_peak

# The channels of neighbouring px, and of neighbouring orientations, are alike; measured errors are this much wider than those
# of independent samples (tests/benchmark, development faces).
INFLATION = 1.2
CONTEXT_SHARE = 0.5


@dataclass(frozen=True)
class Candidate:
    """One place: ``shift`` (2,) frame px from where the line-up expects it, its correlation and covariance (2, 2) px^2.

    ``samples``: how many independent looks the correlation rests on. ``believed``: the correlation less what speaks against it
    around. ``turn``: of a straight line, px across per px along; 0 for all else.
    """

    shift: np.ndarray
    score: float
    covariance: np.ndarray
    samples: float = 1.0
    believed: float = 0.0
    turn: float = 0.0


def peak_covariance(score: float, second: np.ndarray, samples: float) -> np.ndarray:
    """Covariance (2, 2) px^2 of a correlation peak from its sharpness: the Cramer-Rao form for matched signals in noise."""
    score = min(max(score, 0.05), 0.98)
    information = -second * score * samples / (1.0 - score * score)
    values, vectors = np.linalg.eigh(information)
    variance = INFLATION / np.maximum(values, 1e-6)
    return vectors @ np.diag(np.clip(variance, 0.04, 1e4)) @ vectors.T


def find_candidates(
    template: Template,
    field: Field,
    centre: np.ndarray,
    radius: int,
    prior_sigma: float,
    most: int = 5,
    context: np.ndarray | None = None,
) -> list[Candidate]:
    """The best peaks within ``radius`` px of ``centre``, strongest first by correlation less a mild penalty on distance.

    ``context``: the score map of a wider template, which has its say in the choice: a parallel line nearby matches the curve
    itself as well, but not what lies beside it. Penalty and context only choose among peaks; the sub-pixel place is that of
    the narrow map alone, or it would be drawn towards the neighbours.
    """
    scores = score_map(template, field, (float(centre[0]), float(centre[1])), radius)
    rounded = np.round(centre)
    grid = np.arange(-radius, radius + 1)
    distance2 = grid[:, None] ** 2 + grid[None, :] ** 2
    chosen = scores - 0.06 * distance2 / prior_sigma**2
    if context is not None:
        chosen = chosen + CONTEXT_SHARE * (context - context.max())
    highest = cv2.dilate(scores, np.ones((5, 5), np.uint8))
    rows, columns = np.nonzero((scores >= highest) & (scores > 0.05))
    order = np.argsort(-chosen[rows, columns])[:most]
    found = []
    for row, column in zip(rows[order], columns[order], strict=True):
        x, y, second = subpixel_peak(scores, row, column)
        score = float(scores[row, column])
        believed = score if context is None else score + CONTEXT_SHARE * float(context[row, column] - context.max())
        shift = rounded + np.array([x - radius, y - radius])
        found.append(Candidate(shift, score, peak_covariance(score, second, template.samples), template.samples, believed))
    return found
