"""The four edges of the paper as straight lines, each fitted to hundreds of sub-pixel crossings along its normals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

MARGIN = 0.04  # rounded, dog-eared and taped corners: this part of a side at either end is not looked at
_ACROSS = 3  # neighbouring profiles averaged into one
_MOST_PROFILES = 400
_BLOCKS = 10
_MOST_BOW, _CURVED_MUST = 0.05, 0.8  # of a side; what a curve's agreement counts against a straight line's
_BEYOND = 15  # px by which profiles reach further than edges are looked for


@dataclass(frozen=True)
class Edge:
    """One side of the paper in photo px: {p : normal . p = distance}, the unit normal pointing off the paper.

    ``sigma``: standard uncertainty of the line at its middle, across itself, px. ``scatter``: robust standard deviation of single
    crossings, px. ``bow``: how far the edge's middle bulges off the paper against its ends, px. ``width``: px from 10 to 90 % of
    the step from paper to floor. ``used``: fraction of the side that agrees with the line. ``length``: px. ``wave``: how far
    stretches of a tenth of it stray from line and bow, rms, px.
    """

    normal: np.ndarray
    distance: float
    sigma: float
    scatter: float
    bow: float
    width: float
    used: float
    length: float
    wave: float = 0.0


def fit_edges(
    pixels: np.ndarray, corners: np.ndarray, reach: float, lasting: bool = False, bows: Sequence[float] = (0.0,) * 4
) -> tuple[Edge, ...]:
    """The four edges near the sides of ``corners`` (4, 2), clockwise, looked for within ``reach`` px of them.

    ``pixels`` is (h, w, 3) uint8. ``lasting``: look for where paper ends for good, past pencil lines, to about a px; else for the
    steepest fall, to a fraction of a px. ``bows``: how far each side is already known to bulge, px: it is looked for along that
    curve. An edge without enough crossings keeps the side as it was, with ``used`` 0.
    """
    return tuple(_fit_edge(pixels, corners[i], corners[(i + 1) % 4], reach, lasting, bows[i]) for i in range(4))


def intersections(edges: tuple[Edge, ...]) -> np.ndarray:
    """(4, 2) corners: corner i is where edge i - 1 meets edge i."""
    corners = []
    for i in range(4):
        a, b = edges[i - 1], edges[i]
        corners.append(np.linalg.solve(np.array([a.normal, b.normal]), np.array([a.distance, b.distance])))
    return np.array(corners)


# ---------------------------------------------------------------- one edge


def _fit_edge(pixels: np.ndarray, start: np.ndarray, end: np.ndarray, reach: float, lasting: bool, known_bow: float) -> Edge:
    length, along, normal = directions(start, end)
    at, profiles, offsets = profiles_across(pixels, start, along, normal, length, reach, known_bow)
    unchanged = Edge(normal, float(normal @ start), reach / 2, reach / 2, known_bow, reach, 0.0, length)
    if len(at) < 20:
        return unchanged
    values = _most_telling(profiles)
    find = _lasting_crossings if lasting else _crossings
    crossing, strength = find(values, offsets, reach)
    u = 2 * at / length - 1
    weights = _consensus(u, crossing, strength, length, curved=lasting)
    if (weights > 0.3).mean() < 0.15:
        return unchanged
    offset, slope, bow, scatter, (sigma, wave), weights = _robust_fit(u, crossing, weights * strength)
    used = float((weights > 0.3).sum() / max(length * (1 - 2 * MARGIN) / _spacing(length), 1))
    ends = np.array([offset - slope, offset + slope])
    new_start, new_end = start + ends[0] * normal, end + ends[1] * normal
    _, _, new_normal = directions(new_start, new_end)
    width = _edge_width(values, offsets, crossing, weights)
    return Edge(new_normal, float(new_normal @ new_start), sigma, scatter, bow + known_bow, width, min(used, 1.0), length, wave)


def directions(start: np.ndarray, end: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Length of a side in px, the unit vector (2,) along it, and the one (2,) off the paper (corners run clockwise)."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / max(length, 1e-9)
    return length, along, np.array([along[1], -along[0]])


def _spacing(length: float) -> float:
    return max(length * (1 - 2 * MARGIN) / _MOST_PROFILES, float(_ACROSS))


def profiles_across(
    pixels: np.ndarray, start: np.ndarray, along: np.ndarray, normal: np.ndarray, length: float, reach: float, bow: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Positions along the side (n,), colours across it (n, offsets, 3) float32, and the offsets; px, off the paper positive.

    The side runs from ``start`` along ``along`` for ``length`` px and bulges by ``bow``; ``normal`` points off the paper.
    """
    at = np.arange(MARGIN * length, (1 - MARGIN) * length, _spacing(length))
    height, width = pixels.shape[:2]
    points = start + at[:, None] * along
    at = at[((points > 2) & (points < [width - 3, height - 3])).all(1)]
    offsets = np.arange(-np.ceil(reach) - _BEYOND, np.ceil(reach) + _BEYOND + 0.5)
    if not len(at):
        return at, np.zeros((0, len(offsets), 3), np.float32), offsets
    fine = (at[:, None] + np.arange(_ACROSS) - (_ACROSS - 1) / 2).ravel()
    bulge = bow * _bulge(2 * fine / length - 1)
    grid = start + fine[:, None, None] * along + (offsets[None, :, None] + bulge[:, None, None]) * normal
    sampled = cv2.remap(
        pixels,
        grid[..., 0].astype(np.float32),
        grid[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return at, sampled.reshape(len(at), _ACROSS, len(offsets), 3).mean(1, dtype=np.float32), offsets


def _bulge(u: np.ndarray) -> np.ndarray:
    """How far a side with a bow of 1 bulges at ``u`` (-1 to 1) beside its best straight line: the second Legendre polynomial."""
    return 1 / 3 - u**2


def _most_telling(profiles: np.ndarray) -> np.ndarray:
    """(n, offsets): the mixture of channels in which paper and floor differ most reliably, paper high."""
    quarter = profiles.shape[1] // 4
    best, found = -1.0, None
    for mixture in ([0.299, 0.587, 0.114], [1, 0, 0], [0, 1, 0], [0, 0, 1]):
        values = profiles @ np.array(mixture, np.float32)
        step = values[:, :quarter].mean(1) - values[:, -quarter:].mean(1)
        middle = float(np.median(step))
        telling = abs(middle) / (float(np.median(np.abs(step - middle))) + 4.0)
        if telling > best:
            best, found = telling, values if middle >= 0 else -values
    return found


def _crossings(values: np.ndarray, offsets: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Offset of the steepest fall from paper to floor in each profile, to a fraction of a px, and its relative strength 0..1."""
    fall = -_smoothed_slope(values)
    preferred = fall * np.exp(-0.5 * (offsets / (0.6 * reach)) ** 2)
    preferred[:, np.abs(offsets) > reach] = -1
    rows = np.arange(len(values))
    peak = np.clip(preferred.argmax(1), 1, len(offsets) - 2)
    before, here, after = fall[rows, peak - 1], fall[rows, peak], fall[rows, peak + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < -1e-6, 0.5 * (before - after) / np.minimum(bend, -1e-6), 0.0)
    strength = np.clip(here, 0, None) / max(float(np.median(here)), 1e-6)
    return offsets[peak] + np.clip(shift, -0.5, 0.5), np.clip(strength, 0.0, 1.0)


def _lasting_crossings(values: np.ndarray, offsets: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Offset of the biggest lasting fall that has paper right up to it, and its relative strength 0..1."""
    # The median over 7 px takes out pencil lines, grain and joints; edges stay.
    smooth = cv2.medianBlur(np.clip(np.abs(values), 0, 255).astype(np.uint8), 7).astype(np.float32)
    smooth *= -1.0 if values.min() < 0 else 1.0  # where paper is the darker side, all values are negative
    paper = np.median(smooth[:, : len(offsets) // 4], axis=1, keepdims=True)
    seven = cv2.blur(smooth, (7, 1))
    # What follows must be unlike paper both at once and a little later, else it was only a broad line.
    before, after = np.roll(seven, 4, axis=1), np.maximum(np.roll(seven, -4, axis=1), np.roll(seven, -11, axis=1))
    fall = np.clip(before - after, 0, None)
    is_paper = np.exp(-(((before - paper) / (0.5 * fall + 4.0)) ** 2))
    fall = np.where(np.abs(offsets) > reach, 0.0, fall * is_paper)
    peak = fall.argmax(1)
    here = fall[np.arange(len(values)), peak]
    return offsets[peak], np.clip(here / max(float(np.median(here)), 1e-6), 0.0, 1.0)


def _smoothed_slope(values: np.ndarray, sigma: float = 1.3) -> np.ndarray:
    x = np.arange(-4, 5, dtype=np.float32)
    kernel = x * np.exp(-0.5 * (x / sigma) ** 2)
    kernel /= (kernel * x).sum()
    return cv2.filter2D(values, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)


# ---------------------------------------------------------------- robust line


def _consensus(u: np.ndarray, crossing: np.ndarray, strength: np.ndarray, length: float, curved: bool) -> np.ndarray:
    """(n,) weights of the crossings that lie near the line on which most agree: tries lines through many pairs (RANSAC).

    ``curved``: curves through triples as well, for a sheet that curls; they must convince more.
    """
    rng = np.random.default_rng(0)
    tolerance = max(0.8, 0.0012 * length)  # deckled and bowed edges stray with the size of the sheet
    best, most = np.ones(len(u)), -1.0
    for count, handicap in ((2, 1.0), (3, _CURVED_MUST)) if curved else ((2, 1.0),):
        picks = rng.integers(0, len(u), (count, 400))
        spread = np.sort(u[picks], axis=0)
        picks = picks[:, (np.diff(spread, axis=0) > 0.3).all(0)]
        if not picks.shape[1]:
            continue
        basis = np.stack([u**power for power in range(count)], 1)
        curves = np.linalg.solve(basis[picks.T], crossing[picks.T][..., None])[..., 0]
        if count == 3:
            curves = curves[np.abs(curves[:, 2]) < _MOST_BOW * length]
        if not len(curves):
            continue
        agree = np.exp(-0.5 * ((curves @ basis.T - crossing) / tolerance) ** 2)
        scores = handicap * (agree * strength).sum(1)
        if scores.max() > most:
            best, most = agree[scores.argmax()], float(scores.max())
    return best


def _robust_fit(u: np.ndarray, crossing: np.ndarray, weights: np.ndarray) -> tuple[float, float, float, float, tuple, np.ndarray]:
    """Offset, slope (per unit of u), bow, scatter, (sigma, wave) and weights by iterated least squares with Tukey's biweight."""
    # The second Legendre polynomial carries the bow, so that offset and slope stay those of the best straight line.
    basis = np.column_stack([np.ones_like(u), u, u**2 - 1 / 3])
    coefficients = np.zeros(3)
    scatter = 1.0
    for _ in range(8):
        root = np.sqrt(weights)[:, None]
        coefficients = np.linalg.lstsq(basis * root, crossing * root[:, 0], rcond=None)[0]
        residual = crossing - basis @ coefficients
        near = weights > 1e-3
        scatter = max(1.4826 * float(np.median(np.abs(residual[near]))), 0.05)
        weights = np.clip(1 - (residual / (4.685 * scatter)) ** 2, 0, None) ** 2
    sigma = _block_sigma(u, residual, weights, scatter)
    return float(coefficients[0]), float(coefficients[1]), -float(coefficients[2]), scatter, sigma, weights


def _block_sigma(u: np.ndarray, residual: np.ndarray, weights: np.ndarray, scatter: float) -> tuple[float, float]:
    """Uncertainty of the mean, and how far blocks stray: crossings next to each other err together, blocks of them hardly do."""
    block = np.clip(((u + 1) / 2 * _BLOCKS).astype(int), 0, _BLOCKS - 1)
    total = np.bincount(block, weights, _BLOCKS)
    filled = total > 3
    if filled.sum() < 4:
        return scatter, scatter
    means = np.bincount(block, weights * residual, _BLOCKS)[filled] / total[filled]
    # Three parameters were fitted to the blocks.
    free = max(filled.sum() - 3, 1)
    wave = float(np.sqrt((means**2).sum() / free))
    return wave / float(np.sqrt(filled.sum())), wave


def _edge_width(values: np.ndarray, offsets: np.ndarray, crossing: np.ndarray, weights: np.ndarray) -> float:
    """10-90 % width in px of the mean step, the profiles laid on their own crossings; for a Gaussian blur 2.56 sigma."""
    good = weights > 0.3
    if good.sum() < 10:
        return float(len(offsets))
    at = np.arange(-12.0, 12.5, 0.5)
    aligned = np.array([np.interp(at + c, offsets, v) for v, c in zip(values[good][::2], crossing[good][::2], strict=True)])
    mean = aligned.mean(0)
    step = mean[:6].mean() - mean[-6:].mean()
    steepest = float(-np.gradient(mean, 0.5)[14:-14].min())
    return float(1.022 * abs(step) / max(steepest, 1e-6))
