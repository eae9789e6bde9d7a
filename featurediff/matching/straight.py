"""Straight features: where a drawn line runs, as a line with an offset across and a turn.

Candidates come from the whole line's correlation over shift and turn (`featurediff.matching.strips`); around the chosen one the
pieces of the line are measured one by one, and a straight line is fitted to them in which a piece that strays loses its say.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.matching.banks import Bank
from featurediff.matching.candidates import CONTEXT_SHARE, INFLATION, Candidate
from featurediff.matching.correlate import Field
from featurediff.matching.found import LineFit
from featurediff.matching.strips import Course, Profile, Rows, correlation, look, over_turns, positions, profile

# Lengths as fractions of the frame's size.
COARSE_ALONG = 0.008
COARSE_ACROSS = 0.0035
FINE_ALONG = 0.004
FINE_ACROSS = 0.0017
PIECE = 0.06
# Drawn lines are turned by this much at most (tangent of 5 degrees).
MOST_TURN = 0.0875
# Two courses whose ends lie nearer than this are one candidate.
SAME_COURSE = 0.010
# A freehand line strays from straight by about this much (standard deviation), and over this length as one.
STRAY = 0.0018
STRAY_LENGTH = 0.05
# Along a line nothing is measured.
UNMEASURED_ALONG = 0.04


def wide_look(field: Field, drawing: Field, course: Course, sigma: float, size: float, radius: float) -> np.ndarray | None:
    """Correlation (turns, offsets) of a line's surroundings with the drawing, at `turns_of` and `offsets_of`."""
    at = positions(course, COARSE_ALONG * size)
    found = profile(field, course, at, sigma, COARSE_ACROSS * size)
    if found is None:
        return None
    return over_turns(found, look(found, drawing.layers, course, radius), turns_of(course, size))


def offsets_of(size: float, radius: float) -> np.ndarray:
    """Offsets across, px, at which `wide_look` looks."""
    step = COARSE_ACROSS * size
    steps = int(np.ceil(radius / step))
    return np.arange(-steps, steps + 1) * step


def turns_of(course: Course, size: float) -> np.ndarray:
    """Turns worth trying: so far apart that the line's end moves by one step."""
    most = min(MOST_TURN, 0.7 * 0.045 * size / course.half)
    count = int(np.ceil(most * course.half / (COARSE_ACROSS * size)))
    return np.linspace(-most, most, 2 * count + 1)


def line_candidates(
    bank: Bank,
    drawing: Field,
    course: Course,
    sigma: float,
    size: float,
    radius: float,
    context: np.ndarray | None,
    most: int = 5,
) -> list[Candidate]:
    """The best courses within ``radius`` px, by correlation less a mild penalty on distance and turn; see `find_candidates`."""
    scores = wide_look(bank.field, drawing, course, sigma, size, radius)
    if scores is None:
        return []
    turns, offsets = turns_of(course, size), offsets_of(size, radius)
    penalty = 0.06 * (offsets[None] / (0.6 * radius)) ** 2 + 0.06 * (turns[:, None] / (0.6 * MOST_TURN)) ** 2
    chosen = scores - penalty
    if context is not None:
        chosen = chosen + CONTEXT_SHARE * (context - context.max())
    highest = cv2.dilate(chosen.astype(np.float32), np.ones((5, 5), np.uint8))
    rows, columns = np.nonzero((chosen >= highest - 1e-7) & (scores > 0.05))
    samples = max(2 * course.half * sigma * np.sqrt(2 * np.pi) / (2 * np.pi * bank.grain**2), 1.0)
    found: list[Candidate] = []
    for k in np.argsort(-chosen[rows, columns]):
        row, column = rows[k], columns[k]
        if any(_apart(course, offsets[column], turns[row], c) < SAME_COURSE * size for c in found):
            continue
        score = float(scores[row, column])
        believed = score if context is None else score + CONTEXT_SHARE * float(context[row, column] - context.max())
        variance = _peak_variance(scores[row], column, offsets[1] - offsets[0], samples)
        covariance = variance * np.outer(course.across, course.across)
        covariance += (UNMEASURED_ALONG * size) ** 2 * np.outer(course.along, course.along)
        found.append(Candidate(offsets[column] * course.across, score, covariance, samples, believed, float(turns[row])))
        if len(found) == most:
            break
    return found


def _apart(course: Course, offset: float, turn: float, other: Candidate) -> float:
    """How far the ends of two courses lie apart, px, the farther pair."""
    shift = offset - float(other.shift @ course.across)
    return max(abs(shift + (turn - other.turn) * course.half), abs(shift - (turn - other.turn) * course.half))


def _peak_variance(scores: np.ndarray, column: int, step: float, samples: float) -> float:
    """Variance px^2 of a peak along one row, from its sharpness; see `peak_covariance`."""
    column = min(max(column, 1), len(scores) - 2)
    bend = (scores[column - 1] - 2 * scores[column] + scores[column + 1]) / step**2
    score = min(max(float(scores[column]), 0.05), 0.98)
    information = max(-bend, 1e-5) * score * samples / (1 - score * score)
    return float(np.clip(INFLATION / information, 0.04, 1e4))


def fit_line(bank: Bank, drawing: Field, course: Course, start: Candidate, sigma: float, size: float) -> LineFit | None:
    """The straight line through what the pieces of ``course`` find around the candidate ``start``.

    Two rounds: the whole line within a few px and a degree, then its pieces, each near the line, by iteratively reweighted least
    squares (Tukey's biweight). None when the pieces find nothing.
    """
    at = positions(course, FINE_ALONG * size)
    found = profile(bank.field, course, at, sigma, FINE_ACROSS * size)
    if found is None:
        return None
    offset, turn = float(start.shift @ course.across), start.turn
    rows = look(found, drawing.layers, course.shifted(offset, turn), 0.009 * size)
    turns = np.linspace(-1, 1, 9) * min(0.006 * size / course.half, 0.03)
    scores = over_turns(found, rows, turns)
    row, column = np.unravel_index(np.argmax(scores - 0.02 * (rows.offsets / (0.006 * size)) ** 2), scores.shape)
    offset, turn = offset + float(rows.offsets[column]), turn + float(turns[row])
    fit = None
    for _ in range(2):
        rows = look(found, drawing.layers, course.shifted(offset, turn), 0.008 * size)
        measured = _pieces(found, rows, course, bank.grain, sigma, size)
        if measured is None:
            return fit
        fit = robust_line(*measured, offset, turn, course, size, float(scores.max()))
        offset, turn = fit.offset, fit.turn
    return fit


def _pieces(
    found: Profile, rows: Rows, course: Course, grain: float, sigma: float, size: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Each piece's place along the line, its offset and the variance of it, px and px^2; pieces without a peak are left out."""
    count = int(np.clip(round(2 * course.half / (PIECE * size)), 3, 40))
    places, shifts, variances = [], [], []
    step = rows.offsets[1] - rows.offsets[0]
    penalty = 0.06 * (rows.offsets / (0.006 * size)) ** 2
    for part in np.array_split(np.arange(len(found.at)), min(count, len(found.at))):
        energy = float(found.energy[part].sum())
        if energy < 0.02 * found.energy.sum() * len(part) / len(found.at):
            continue
        sums = (each[part].sum(0) for each in (rows.product, rows.first, rows.second))
        scores = correlation(found, *sums, len(part), energy)
        best = int(np.argmax(scores - penalty))
        if best in (0, len(scores) - 1) or scores[best] < 0.15:
            continue
        left, middle, right = scores[best - 1 : best + 2]
        bend = min(left - 2 * middle + right, -1e-6)
        samples = max(len(part) * (found.at[1] - found.at[0]) * sigma * np.sqrt(2 * np.pi) / (2 * np.pi * grain**2), 1.0)
        places.append(float(found.at[part].mean()))
        shifts.append(float(rows.offsets[best] + step * np.clip(0.5 * (right - left) / -bend, -1, 1)))
        variances.append(_peak_variance(scores, best, step, samples))
    if len(places) < 2:
        return None
    return np.array(places), np.array(shifts), np.array(variances)


def robust_line(
    at: np.ndarray,
    shifts: np.ndarray,
    variances: np.ndarray,
    offset: float,
    turn: float,
    course: Course,
    size: float,
    score: float,
) -> LineFit:
    """The line through parts that lie ``shifts`` (n,) px beside the course (``offset``, ``turn``), ``at`` (n,) px along, with
    ``variances`` (n,) px^2: iteratively reweighted least squares (Tukey's biweight) from repeated medians."""
    stray = STRAY * size
    design = np.column_stack([np.ones_like(at), at])
    base = 1.0 / (variances + stray**2)
    # A loose belief in the whole line's own turn keeps two or three pieces from spinning it.
    prior = np.diag([0.0, 1.0 / (0.05 + 1.0 * stray / course.half) ** 2])
    answer = _repeated_median(at, shifts)
    weights = base
    for limit in (8.0, 6.0, 4.685, 4.685, 4.685, 4.685):
        scale = np.sqrt(base) * (shifts - design @ answer)
        spread = max(1.0, 1.4826 * float(np.median(np.abs(scale))))
        weights = base * np.clip(1.0 - (scale / (limit * spread)) ** 2, 0.0, 1.0) ** 2
        if (weights > 0).sum() < 2:
            weights = base.copy()
        normal = design.T @ (weights[:, None] * design) + prior
        answer = np.linalg.solve(normal, design.T @ (weights * shifts))
    residual = shifts - design @ answer
    inverse = np.linalg.inv(design.T @ (weights[:, None] * design) + prior)
    used = weights > 0.2 * base
    freedom = max(int(used.sum()) - 2, 1)
    excess = max(1.0, float((weights * residual**2).sum()) / freedom) if used.sum() > 4 else 1.0
    gap = at[:, None] - at[None]
    length = min(STRAY_LENGTH * size, course.half / 2)
    noise = np.diag(variances) + excess * stray**2 * np.exp(-0.5 * (gap / length) ** 2)
    gain = inverse @ (design.T * weights)
    covariance = gain @ noise @ gain.T
    # What was measured is relative to the course that the rows were laid along.
    return LineFit(offset + float(answer[0]), turn + float(answer[1]), covariance, score, float(used.mean()))


def _repeated_median(at: np.ndarray, shifts: np.ndarray) -> np.ndarray:
    """(offset, turn) of a line by repeated medians (Siegel 1982, Biometrika 69): up to half of the pieces may stray anywhere.

    No two pieces lie at one place."""
    count = len(at)
    others = ~np.eye(count, dtype=bool)
    run = (at[:, None] - at[None])[others].reshape(count, count - 1)
    rise = (shifts[:, None] - shifts[None])[others].reshape(count, count - 1)
    turn = float(np.median(np.median(rise / run, axis=1)))
    return np.array([np.median(shifts - turn * at), turn])
