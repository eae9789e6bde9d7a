"""Spacing along a line, seen in any perspective: cross-ratios, equal steps, and where the others of a row belong.

Places on a line are numbers; in perspective they are mapped by t -> (a t + b) / (c t + d), and what such a map keeps is the
cross-ratio of four places (projective geometry of the line: Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2003,
sections 2.5 and 4.1; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Four places at equal steps, from any view (geometry).
EQUAL_STEPS = 4 / 3


def cross_ratio(a: float, b: float, c: float, d: float) -> float:
    """(AC * BD) / (BC * AD) of four places on a line, in order; 4/3 for equal steps. Raises ValueError when places coincide."""
    below = (c - b) * (d - a)
    if below == 0:
        raise ValueError("the places coincide")
    return float((c - a) * (d - b) / below)


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


def equally_spaced(places: np.ndarray, loose: float = 0.04) -> bool:
    """True when four or more places on a line of a picture, in order, lie at equal steps in space, whatever the perspective.

    Every four neighbours must have a cross-ratio of 4/3 within ``loose`` of it.
    """
    places = np.asarray(places, float)
    if len(places) < 4:
        return False
    ratios = [cross_ratio(*places[k : k + 4]) for k in range(len(places) - 3)]
    return bool(np.abs(np.array(ratios) / EQUAL_STEPS - 1).max() <= loose)


def line_map(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """(2, 2) map of a line onto a line, from three or more places: t -> (m00 t + m01) / (m10 t + m11).

    ``source`` and ``target`` are (n,) places, or (n, 2) homogeneous ones (t, 1), a vanishing point at infinity being (1, 0).
    With more than three places: least squares (direct linear transform). Raises ValueError for fewer than three unlike places.
    """
    source, target = _homogeneous(source), _homogeneous(target)
    if len(source) < 3 or len(source) != len(target):
        raise ValueError("three places are needed on both lines")
    s_scale, t_scale = _scaling(source), _scaling(target)
    s, t = source @ s_scale.T, target @ t_scale.T
    s, t = s / np.linalg.norm(s, axis=1)[:, None], t / np.linalg.norm(t, axis=1)[:, None]
    equations = np.column_stack([s * t[:, 1:], -s * t[:, :1]])
    _, sizes, vectors = np.linalg.svd(equations)
    if sizes[2] < 1e-9 * sizes[0]:
        raise ValueError("the places coincide")
    matrix = np.linalg.inv(t_scale) @ vectors[-1].reshape(2, 2) @ s_scale
    if abs(np.linalg.det(matrix)) < 1e-15 * (matrix**2).sum():
        raise ValueError("the places coincide")
    return matrix / np.linalg.norm(matrix)


def map_places(matrix: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Places (n,) mapped by a `line_map`."""
    mapped = _homogeneous(places) @ matrix.T
    return mapped[:, 0] / mapped[:, 1]


def where_they_belong(
    reference: np.ndarray, known: tuple[int, ...], drawn: np.ndarray, vanishing: tuple | None = None
) -> np.ndarray:
    """Where all the places of a row belong on a drawing, given where some of them lie there.

    ``reference`` (n,): places along the row on the reference picture. ``known``: the numbers of those whose places on the drawing
    are ``drawn`` (k,), along the drawing's own line. ``vanishing``: the row's vanishing point as a pair, on the reference's line
    and on the drawing's, each a number or infinity. Three in all are needed, such as both ends and the vanishing point, or
    both ends and one between. Returns (n,) places on the drawing. Raises ValueError as `line_map`.
    """
    source = [(float(reference[k]), 1.0) for k in known]
    target = [(float(d), 1.0) for d in drawn]
    if vanishing is not None:
        source.append(_point(vanishing[0]))
        target.append(_point(vanishing[1]))
    return map_places(line_map(np.array(source), np.array(target)), reference)


def _point(place: float) -> tuple[float, float]:
    return (float(place), 1.0) if np.isfinite(place) else (1.0, 0.0)


def _homogeneous(places: np.ndarray) -> np.ndarray:
    places = np.asarray(places, float)
    return np.column_stack([places, np.ones(len(places))]) if places.ndim == 1 else places


def _scaling(places: np.ndarray) -> np.ndarray:
    """(2, 2) that brings the finite places to mean 0 and size 1, for sound equations."""
    finite = places[np.abs(places[:, 1]) > 1e-12]
    values = finite[:, 0] / finite[:, 1] if len(finite) else np.zeros(1)
    size = max(float(np.ptp(values)), 1e-9) / 2
    middle = float(values.mean())
    return np.array([[1 / size, -middle / size], [0.0, 1.0]])
