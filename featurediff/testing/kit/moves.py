"""Known moves for the features that a detector found: which are moved in which drawing, and the map that moves them.

A moved feature takes along what lies within `NEAR` of it, so that its own line moves as one; the move fades out to nothing at
`FAR`. Features moved in one drawing lie so far apart that their moves do not meet.
"""

from __future__ import annotations

import cv2
import numpy as np

from featurediff.geometry import normals, resample
from featurediff.records import Feature, Subject
from featurediff.testing.fieldwarp import FieldWarp

# All as shares of the subject's extent on the reference (see `extent`).
NEAR, FAR, AMOUNT = 0.012, 0.07, 0.018
# So many drawings move different features; then it begins anew, in other directions.
_TURNS = (20.0, -65.0, 110.0, -160.0, 65.0, -110.0)


def extent(subject: Subject) -> float:
    """What the moves are shares of, in px: the subject's size, or half the diagonal of its region where that is larger."""
    return max(subject.size_px, 0.5 * float(np.hypot(*np.ptp(subject.region, axis=0))))


def rounds(subject: Subject, count: int) -> list[list[int]]:
    """For each of ``count`` drawings the features moved in it, by their index; every feature's turn comes as early as can be."""
    if not count:
        return []
    size = extent(subject)
    apart = _distances(subject)
    turns = np.zeros(len(subject.features), int)
    out = []
    for _ in range(count):
        order = sorted(range(len(turns)), key=lambda k: (turns[k], -subject.features[k].importance, k))
        chosen: list[int] = []
        for k in order:
            if all(apart[k, other] > (2 * FAR - NEAR) * size for other in chosen):
                chosen.append(k)
        turns[chosen] += 1
        out.append(sorted(chosen))
    return out


def moving(subject: Subject, chosen: list[int], shape: tuple[int, int], turn: int) -> FieldWarp:
    """The map of a reference of ``shape`` (h, w) that moves the ``chosen`` features; ``turn`` picks the directions."""
    size = extent(subject)
    return shifting(subject, [([k], AMOUNT * size * direction(subject.features[k], turn + k)) for k in chosen], shape)


def shifting(subject: Subject, shifts: list[tuple[list[int], np.ndarray]], shape: tuple[int, int]) -> FieldWarp:
    """The map of a reference of ``shape`` (h, w) that moves features, by their indices, as one by a shift (2,) in px, and others
    by another."""
    size = extent(subject)
    shift = np.zeros((*shape, 2), np.float32)
    for together, by in shifts:
        lines = np.minimum.reduce([_drawn(subject.features[k], shape) for k in together])
        away = cv2.distanceTransform(lines, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        share = np.clip((FAR * size - away) / ((FAR - NEAR) * size), 0.0, 1.0)
        share = share * share * (3 - 2 * share)
        shift += share[..., None] * by.astype(np.float32)
    # The distances are whole px; smoothed, the map has no steps that would fold it.
    shift = cv2.GaussianBlur(shift, (0, 0), max(1.0, 0.003 * size))

    def field(points: np.ndarray) -> np.ndarray:
        at = points.astype(np.float32)
        both = [
            cv2.remap(shift[..., i], at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).ravel()
            for i in (0, 1)
        ]
        return np.column_stack(both).astype(float)

    moved = np.vstack([subject.features[k].points for together, _ in shifts for k in together])
    return FieldWarp(_in_pieces(field), moved, shape)


def direction(feature: Feature, turn: int) -> np.ndarray:
    """(2,) unit vector: across what is straight or nearly so, since only that can be seen; else by turns."""
    across, telling = main_normal(feature)
    if telling > 0.85:
        return across if turn % 2 else -across
    angle = np.radians(_TURNS[turn % len(_TURNS)])
    return np.array([np.cos(angle), np.sin(angle)])


def main_normal(feature: Feature) -> tuple[np.ndarray, float]:
    """(2,) the direction in which most of the feature's line can be seen to move, and which share of it does, 0.5 to 1.

    The larger eigenvalue of the mean outer product of the normals: 1 for a straight line, 0.5 for a circle and a point.
    """
    if len(feature.points) < 2:
        return np.array([1.0, 0.0]), 0.5
    line = _even(feature)
    n = normals(line, feature.closed)
    values, vectors = np.linalg.eigh(n.T @ n / len(n))
    return vectors[:, 1], float(values[1] / max(values.sum(), 1e-12))


def _even(feature: Feature) -> np.ndarray:
    """The feature's line at even steps: corners a few px off must not count as much as the long sides."""
    reach = float(np.hypot(*np.ptp(feature.points, axis=0)))
    return resample(feature.points, max(reach / 60, 0.25), feature.closed)


def _drawn(feature: Feature, shape: tuple[int, int]) -> np.ndarray:
    blank = np.ones(shape, np.uint8)
    points = np.round(feature.points).astype(np.int32)
    if len(points) == 1:
        x, y = np.clip(points[0], 0, [shape[1] - 1, shape[0] - 1])
        blank[y, x] = 0
    else:
        cv2.polylines(blank, [points], feature.closed or feature.kind == "ellipse", 0, 1)
    return blank


def _distances(subject: Subject) -> np.ndarray:
    """(n, n) px: how near any two features come to each other."""
    lines = [f.points if len(f.points) < 2 else _even(f) for f in subject.features]
    out = np.zeros((len(lines), len(lines)))
    for i, a in enumerate(lines):
        for j in range(i):
            out[i, j] = out[j, i] = np.sqrt(((a[:, None] - lines[j][None]) ** 2).sum(2).min())
    return out


def _in_pieces(field, most: int = 30_000):
    """cv2.remap takes rows of less than 32767 points."""

    def pieces(points: np.ndarray) -> np.ndarray:
        return np.vstack([field(points[k : k + most]) for k in range(0, max(len(points), 1), most)])

    return pieces
