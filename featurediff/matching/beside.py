"""The edges that the reference shows close beside a straight line: the other edges of a moulding, a sill, a frame.

A hand draws one line for a moulding, and no one can say for which of its edges. A drawn line that lies just where the reference
has another edge of the same moulding is right: it is told as if it had been drawn for the feature's own edge, less surely.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from featurediff import geometry
from featurediff.matching.found import Found
from featurediff.matching.strips import Course, course_of, positions

# As shares of the size: how far to look, the blur across, and the step along.
REACH = 0.030
BLUR = 0.0018
ALONG = 0.004
# An edge counts from this share of the line's own strength on.
STRENGTH = 0.3
# The line's own edge is what lies nearer than this share of the size; so near must a drawn line lie to another edge, or within
# this share of that edge's distance: a moulding's edges are not quite parallel in perspective.
OWN = 0.0035
LOOSE = 0.25
# What the choice of edge leaves in doubt, as a share of the distance between the two.
DOUBT = 0.3
# Straight sides of an outline are longer than this share of the size.
SIDE = 0.02


def edges_beside(grey: np.ndarray, course: Course, size: float) -> np.ndarray:
    """Offsets across, px, of the other edges parallel to a line, nearest first; ``grey`` (h, w) is the reference in the frame.

    The mean along the line of the grey's slope across it, signed, so that only what runs along all of the line adds up.
    """
    step = 0.5
    aside = np.arange(-REACH * size, REACH * size + step, step)
    at = positions(course, ALONG * size)
    x = course.middle[0] + at[:, None] * course.along[0] + aside[None] * course.across[0]
    y = course.middle[1] + at[:, None] * course.along[1] + aside[None] * course.across[1]
    seen = cv2.remap(grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    blur = max(BLUR * size / step, 1e-3)
    mean = cv2.GaussianBlur(seen.mean(0)[None], (0, 0), blur, borderType=cv2.BORDER_REPLICATE)[0]
    slope = np.abs(np.gradient(mean))
    own = float(slope[np.abs(aside) <= OWN * size].max())
    peaks = np.flatnonzero((slope[1:-1] >= slope[:-2]) & (slope[1:-1] > slope[2:]) & (slope[1:-1] >= STRENGTH * own)) + 1
    offsets = aside[peaks[np.abs(aside[peaks]) > OWN * size]]
    return offsets[np.argsort(np.abs(offsets))]


def meant_edge(grey: np.ndarray, course: Course, offset: float, size: float) -> float:
    """The offset, px, of the other edge for which a line drawn ``offset`` px aside was drawn; 0 when it was none of them."""
    if abs(offset) <= OWN * size:
        return 0.0
    others = edges_beside(grey, course, size)
    if not len(others):
        return 0.0
    other = float(others[np.argmin(np.abs(others - offset))])
    left = abs(offset - other)
    return other if left <= max(OWN * size, LOOSE * abs(other)) and left < 0.5 * abs(offset) else 0.0


def on_meant_edges(
    courses: dict[int, Course], curves: list[np.ndarray], found: list[Found], base: np.ndarray, grey: np.ndarray, size: float
) -> list[Found]:
    """``found`` with every straight line and every straight side of an outline told for its own edge.

    ``courses``: the straight features' lines by index; ``curves``: all features' points in frame px; ``base`` (3, 3): what most
    features agree on, in frame px.
    """
    answer = []
    for k, (curve, place) in enumerate(zip(curves, found, strict=True)):
        if place.shifts is None:
            answer.append(place)
        elif k in courses:
            answer.append(_line_on_edge(courses[k], place, base, grey, size))
        else:
            answer.append(_outline_on_edges(curve, place, base, grey, size))
    return answer


def _line_on_edge(course: Course, place: Found, base: np.ndarray, grey: np.ndarray, size: float) -> Found:
    here = geometry.apply(base, course.middle[None])[0] - course.middle
    other = meant_edge(grey, course, place.fit.offset - float(here @ course.across), size)
    if other == 0.0:
        return place
    doubt = (DOUBT * other) ** 2
    covariance = place.fit.covariance + np.diag([doubt, 0.0])
    across = doubt * np.outer(course.across, course.across)
    return replace(
        place,
        shifts=place.shifts - other * course.across,
        covariances=place.covariances + across,
        covariance=place.covariance + across,
        fit=replace(place.fit, offset=place.fit.offset - other, covariance=covariance),
    )


def _outline_on_edges(curve: np.ndarray, place: Found, base: np.ndarray, grey: np.ndarray, size: float) -> Found:
    """An outline with straight sides. One that moved as a whole is left as it is: all its sides can't be other edges."""
    following = np.roll(np.arange(len(curve)), -1)
    long = np.hypot(*(curve[following] - curve).T) > SIDE * size
    if long.sum() < 3 or len(curve) > 40:
        return place
    rest = place.shifts - (geometry.apply(base, curve) - curve)
    sides = [(k, course_of(curve[[k, following[k]]])) for k in np.flatnonzero(long)]
    aside = np.array([float((rest[k] + rest[following[k]]) @ course.across / 2) for k, course in sides])
    across = np.array([course.across for _, course in sides])
    moved = np.linalg.lstsq(across, aside, rcond=None)[0]
    if np.abs(aside - across @ moved).max() <= OWN * size:
        return place
    change, doubt, moves = np.zeros_like(curve), np.zeros((len(curve), 2, 2)), np.zeros(len(curve), bool)
    for (k, course), offset in zip(sides, aside, strict=True):
        other = meant_edge(grey, course, offset, size)
        for end in (k, following[k]):
            change[end] -= other * course.across
            doubt[end] += (DOUBT * other) ** 2 * np.outer(course.across, course.across)
            moves[end] = True
    between = np.flatnonzero(~moves)
    if len(between):
        # A curved head goes with the ends of the straight sides.
        at = np.arange(len(curve))
        for axis in (0, 1):
            change[between, axis] = np.interp(between, at[moves], change[moves, axis], period=len(curve))
    return replace(
        place,
        shifts=place.shifts + change,
        covariances=place.covariances + doubt,
        covariance=place.covariance + doubt.mean(0),
    )
