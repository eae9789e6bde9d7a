"""Corners: where fitted lines meet, whatever the pencil did there - ran past, or stopped short."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff.matching.found import Found
from featurediff.matching.strips import Course
from featurediff.records import Subject

# Lines that meet under less than this (sine of 15 degrees) do not tell where.
LEAST_SINE = 0.26
# Fractions of the frame's size: how far along a line its corner may lie from where the line-up has it; by how much lines that
# were drawn to one corner may miss it.
FARTHEST = 0.08
MISS = 0.004


def settle_corners(subject: Subject, courses: dict[int, Course], found: list[Found], size: float) -> list[Found]:
    """Move the ends of straight features to the corners that their fitted lines make; ends without a corner stay open.

    ``courses``: index of a straight feature -> its course on the reference, frame px. A line's end moves along the line only. An
    open end moves along with the line's other end, so that the line keeps its length.
    """
    index = {feature.name: k for k, feature in enumerate(subject.features)}
    moved: dict[int, dict[int, tuple[float, float]]] = {}
    for junction in subject.junctions:
        ends = [(index[name], end) for name, end in junction.ends if name in index]
        ends = [(k, end) for k, end in ends if k in courses and found[k].fit is not None and found[k].shifts is not None]
        for k, end, along, variance in _corner(ends, courses, found, size):
            moved.setdefault(k, {})[0 if end == 0 else 1] = (along, variance)
    return [_with_ends(place, courses[k], moved[k], size) if k in moved else place for k, place in enumerate(found)]


def _corner(
    ends: list[tuple[int, int]], courses: dict[int, Course], found: list[Found], size: float
) -> list[tuple[int, int, float, float]]:
    """(feature, end, px along its line to the corner, variance of that) of all lines that make one."""
    while len(ends) > 1:
        lines = [courses[k].shifted(found[k].fit.offset, found[k].fit.turn) for k, _ in ends]
        across = np.array([line.across for line in lines])
        sines = np.abs(across[:, 0, None] * across[None, :, 1] - across[:, 1, None] * across[None, :, 0])
        if sines.max() < LEAST_SINE:
            return []
        at, covariance, miss = _meeting(lines, [found[k].fit for k, _ in ends], [end for _, end in ends], size)
        if len(ends) > 2 and miss.max() > 3.5:
            ends = [entry for entry, far in zip(ends, miss, strict=True) if far < miss.max()]
            continue
        out = []
        for (k, end), line in zip(ends, lines, strict=True):
            along = float((at - line.middle) @ line.along)
            expected = -line.half if end == 0 else line.half
            if abs(along - expected) <= FARTHEST * size:
                out.append((k, end, along, float(line.along @ covariance @ line.along)))
        return out
    return []


def _meeting(lines, fits, ends, size: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The point (2,) nearest to all lines in units of their uncertainty, its covariance, and each line's miss."""
    across = np.array([line.across for line in lines])
    target = np.array([line.across @ line.middle for line in lines])
    variance = np.array(
        [
            fit.variance_at(line.half if end else -line.half) + (MISS * size) ** 2
            for line, fit, end in zip(lines, fits, ends, strict=True)
        ]
    )
    covariance = np.linalg.inv((across.T / variance) @ across)
    at = covariance @ (across.T @ (target / variance))
    return at, covariance, np.abs(across @ at - target) / np.sqrt(variance)


def _with_ends(place: Found, course: Course, moved: dict[int, tuple[float, float]], size: float) -> Found:
    fit = place.fit
    line = course.shifted(fit.offset, fit.turn)
    expected = (-line.half, line.half)
    if len(moved) == 1:
        ((known, (along, _)),) = moved.items()
        moved = {**moved, 1 - known: (expected[1 - known] + along - expected[known], np.inf)}
    shifts, covariances = place.shifts.copy(), place.covariances.copy()
    for end, (along, variance) in moved.items():
        shifts[end] = line.middle + along * line.along - course.ends[end]
        across = line.across @ place.covariances[end] @ line.across
        beside = min(max(variance, across), line.along @ place.covariances[end] @ line.along)
        covariances[end] = across * np.outer(line.across, line.across) + beside * np.outer(line.along, line.along)
    middle = line.across @ place.covariance @ line.across * np.outer(line.across, line.across)
    along = sum(line.along @ c @ line.along for c in covariances) / 4
    return replace(place, shifts=shifts, covariances=covariances, covariance=middle + along * np.outer(line.along, line.along))
