"""What chance alone can do: a test of a mean over few drawings, and its correction for looking at many measures at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Mean:
    """A weighted mean over drawings with its standard error; ``spread`` is the standard deviation between drawings, ``p``
    two-sided."""

    mean: float
    error: float
    spread: float
    p: float


def mean_of(values: Sequence[float], sigmas: Sequence[float]) -> Mean:
    """The mean of values that differ from drawing to drawing and are each known to a standard uncertainty (above 0).

    Weights 1 / (between^2 + sigma^2), between^2 by DerSimonian and Laird (1986, Controlled Clinical Trials 7, 177-188); error
    and t
    test with n - 1 degrees of freedom by Hartung and Knapp (2001, Statistics in Medicine 20, 3875-3889), never smaller than the
    stated uncertainties make it (Knapp and Hartung 2003, Statistics in Medicine 22, 2693-2710): with few drawings a small spread
    may be luck. With equal uncertainties well below the spread this is Student's t test of the mean. Needs two values or more.
    """
    n = len(values)
    between = _between(values, sigmas)
    weights = [1.0 / (between + sigma**2) for sigma in sigmas]
    total = sum(weights)
    mean = sum(weight * value for weight, value in zip(weights, values, strict=True)) / total
    factor = sum(weight * (value - mean) ** 2 for weight, value in zip(weights, values, strict=True)) / (n - 1)
    error = math.sqrt(max(factor, 1.0) / total)
    spread = math.sqrt(sum((value - mean) ** 2 for value in values) / (n - 1))
    return Mean(mean, error, spread, two_sided(mean / error, n - 1))


def _between(values: Sequence[float], sigmas: Sequence[float]) -> float:
    """The variance between drawings, what the stated uncertainties explain taken off."""
    weights = [1.0 / sigma**2 for sigma in sigmas]
    total = sum(weights)
    mean = sum(weight * value for weight, value in zip(weights, values, strict=True)) / total
    excess = sum(weight * (value - mean) ** 2 for weight, value in zip(weights, values, strict=True)) - (len(values) - 1)
    return max(excess / (total - sum(weight**2 for weight in weights) / total), 0.0)


def two_sided(t: float, freedom: int) -> float:
    """P(|T| >= |t|) of Student's t with a whole number of degrees of freedom.

    Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4. Sums of like terms, so what is far below 1e-12
    reads 0.
    """
    angle = math.atan2(abs(t), math.sqrt(freedom))
    cos, sin = math.cos(angle), math.sin(angle)
    if freedom % 2:
        term, inside = cos, 0.0
        for k in range(1, freedom - 1, 2):
            inside += term
            term *= cos * cos * (k + 1) / (k + 2)
        covered = 2.0 / math.pi * (angle + sin * inside)
    else:
        term, inside = 1.0, 0.0
        for k in range(1, freedom, 2):
            inside += term
            term *= cos * cos * k / (k + 1)
        covered = sin * inside
    return min(max(1.0 - covered, 0.0), 1.0)


def corrected(p: Sequence[float]) -> list[float]:
    """P values corrected so that, of all that is told at a level, no more than this share is chance on average.

    Benjamini and Hochberg (1995, Journal of the Royal Statistical Society B 57, 289-300).
    """
    order = sorted(range(len(p)), key=lambda k: p[k], reverse=True)
    found, least = [1.0] * len(p), 1.0
    for place, k in enumerate(order):
        least = min(least, p[k] * len(p) / (len(p) - place))
        found[k] = least
    return found
