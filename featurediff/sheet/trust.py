"""How far positions on the squared sheet can be trusted."""

from __future__ import annotations

import numpy as np

from featurediff.records import Sheet
from featurediff.sheet.edges import Edge

# 95 % of the lengths of a two-dimensional normal error lie within this many standard deviations of one coordinate.
LENGTH_95 = 2.45

# What the edges can't tell, as standard deviations.
_PAPER = 0.0004  # of the longer side: paper cut and swollen by damp a little off its nominal size
_SYSTEMATIC_PX = 0.2  # the paper's thickness, its contact shadow and sharpening shift an edge by a fraction of a px
_RAGGED_SHARE = 0.8  # of the crossings' scatter: a deckle is torn off the nominal size, nobody knows by how much
_BOW_SHARE = 0.45  # of the edges' bow: what a lens that bends them, or a curl, does to points inside
# A cockled sheet lifts its middle more than its edges show: so many times the slow waves of its edges, less what a ragged edge
# has of them anyway. Simulated cockle of 2 and 4 mm, development seeds (python tests/benchmark/sheet_trust.py 4 3).
_COCKLE_TIMES, _RAGGED_WAVES = 6.0, 0.5


def corner_sigmas(edges: tuple[Edge, ...], px_per_mm: float, size_mm: tuple[float, float]) -> np.ndarray:
    """(4,) standard uncertainty in mm of one coordinate at each corner; corner i lies between edge i - 1 and edge i.

    Straight edges prove that the lens bends little: then the allowance for it, taken from their bow, is small.
    """
    # At its ends a fitted line is twice as uncertain as in its middle.
    across = np.array([2.0 * edge.sigma for edge in edges]) / px_per_mm
    fit = np.sqrt((across**2 + np.roll(across, 1) ** 2) / 2)
    bow = float(np.sqrt(np.mean([edge.bow**2 for edge in edges]))) / px_per_mm
    ragged = _RAGGED_SHARE * float(np.mean([edge.scatter for edge in edges])) / px_per_mm
    common = (_SYSTEMATIC_PX / px_per_mm) ** 2 + (_PAPER * max(size_mm)) ** 2 + (_BOW_SHARE * bow) ** 2 + ragged**2
    return np.sqrt(fit**2 + common + (_COCKLE_TIMES * _waves(edges) / px_per_mm) ** 2)


def _waves(edges: tuple[Edge, ...]) -> float:
    """Root mean square of the edges' slow waves in px, beyond those that belong to a ragged edge."""
    waves = np.array([edge.wave**2 for edge in edges])
    rough = np.array([edge.scatter**2 for edge in edges]) - waves
    return float(np.sqrt(np.mean(np.clip(waves - _RAGGED_WAVES * np.clip(rough, 0, None), 0, None))))


def trust_from(corner_sigma_mm: np.ndarray) -> float:
    """The error in mm that 95 % of the false errors stay below, averaged over the sheet."""
    return LENGTH_95 * float(np.sqrt(np.mean(corner_sigma_mm**2)))


def sigma_at(sheet: Sheet, points_mm: np.ndarray) -> np.ndarray:
    """(n,) standard uncertainty (mm, one coordinate) of points (n, 2) on the sheet, interpolated between the corners."""
    points = np.asarray(points_mm, float).reshape(-1, 2)
    if sheet.size_mm is None:
        return np.full(len(points), float(np.sqrt(np.mean(sheet.corner_sigma_mm**2))))
    x, y = np.clip(points / np.array(sheet.size_mm), 0, 1).T
    top_left, top_right, bottom_right, bottom_left = sheet.corner_sigma_mm
    return (1 - y) * ((1 - x) * top_left + x * top_right) + y * ((1 - x) * bottom_left + x * bottom_right)
