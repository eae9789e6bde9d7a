"""What is searched for as one rigid thing: blocks of the parts tree, features, sections of long curves, and small pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurediff import geometry
from featurediff.records import Feature, Subject


@dataclass(frozen=True)
class Stretch:
    """A stretch of a feature's curve in frame px.

    ``feature``: index of the feature. ``points`` (n, 2). ``arc``: (start, end) along the feature's curve, px. ``closed``: the
    stretch is the whole of a closed curve.
    """

    feature: int
    points: np.ndarray
    arc: tuple[float, float]
    closed: bool = False

    @property
    def centre(self) -> np.ndarray:
        """Mean of the points (2,), frame px."""
        return self.points.mean(0)


def arc_positions(points: np.ndarray) -> np.ndarray:
    """Arc length (n,) of every point from the first one."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def whole_length(feature: Feature, points: np.ndarray) -> float:
    """Length of the feature's curve, with the closing stretch if it is closed."""
    length = float(arc_positions(points)[-1])
    if feature.closed and len(points) > 2:
        length += float(np.hypot(*(points[0] - points[-1])))
    return length


def split(index: int, feature: Feature, points: np.ndarray, longest: float, step: float, overlap: float = 0.0) -> list[Stretch]:
    """Cut a feature's curve (n, 2) frame px into equal stretches no longer than ``longest`` px, sampled every ``step`` px.

    ``overlap``: how far each reaches into its neighbours, as a fraction of its length. A closed curve longer than
    ``longest`` is cut into open stretches.
    """
    if len(points) == 1:
        return [Stretch(index, points, (0.0, 0.0))]
    length = whole_length(feature, points)
    if length <= longest:
        return [Stretch(index, geometry.resample(points, step, feature.closed), (0.0, length), feature.closed)]
    line = np.vstack([points, points[:1]]) if feature.closed else points
    arc = arc_positions(line)
    count = int(np.ceil(length / longest))
    if feature.closed:
        count = max(count, 3)
    stretches = []
    for k in range(count):
        start, end = length * k / count, length * (k + 1) / count
        reach = overlap * length / count
        low, high = start - reach, end + reach
        if not feature.closed:
            low, high = max(low, 0.0), min(high, length)
        at = np.linspace(low, high, max(round((high - low) / step), 1) + 1)
        inside = np.mod(at, length) if feature.closed else at
        piece = np.column_stack([np.interp(inside, arc, line[:, 0]), np.interp(inside, arc, line[:, 1])])
        stretches.append(Stretch(index, piece, (start, end)))
    return stretches


@dataclass(frozen=True)
class Block:
    """Features that share a place on the parts tree and lie close together. ``members``: their indices."""

    part: str
    members: tuple[int, ...]


def blocks(subject: Subject, curves: list[np.ndarray], largest: float) -> list[Block]:
    """Every inner node of the parts tree with two features or more whose extent is at most ``largest`` px, without repeats."""
    found: dict[tuple[int, ...], Block] = {}
    parts = [feature.part.split("/") for feature in subject.features]
    prefixes = {tuple(part[:depth]) for part in parts for depth in range(1, len(part))}
    for prefix in sorted(prefixes):
        members = tuple(k for k, part in enumerate(parts) if tuple(part[: len(prefix)]) == prefix)
        extent = np.ptp(np.vstack([curves[k] for k in members]), axis=0).max()
        if len(members) > 1 and extent <= largest:
            found[members] = Block("/".join(prefix), members)
    return list(found.values())
