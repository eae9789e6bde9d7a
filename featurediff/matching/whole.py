"""What most features agree on: by how much the whole drawing is still moved, turned and scaled against the registration."""

from __future__ import annotations

import numpy as np

from featurediff import geometry
from featurediff.matching.found import Found
from featurediff.matching.strips import Course

# Features that agree on the whole lie within this share of the size of it.
AGREED = 0.006
# Fewer measures than this do not tell it.
LEAST = 8


def whole_shift(courses: dict[int, Course], curves: list[np.ndarray], found: list[Found], size: float) -> np.ndarray:
    """The similarity (3, 3), frame px, that most features agree on: what the registration left over.

    Least squares with Cauchy weights that tighten, from no move at all. A straight line has its say across itself, and apart
    from that by its turn: a line taken for one beside it lies wrong, but runs alike.
    """
    rows, targets = [], []
    for k, (curve, place) in enumerate(zip(curves, found, strict=True)):
        if place.shifts is None:
            continue
        (x, y), shift = curve.mean(0), place.shifts.mean(0)
        for axis in [courses[k].across] if k in courses else np.eye(2):
            rows.append(axis @ np.array([[x, -y, 1.0, 0.0], [y, x, 0.0, 1.0]]))
            targets.append(float(axis @ shift))
        if k in courses:
            rows.append(np.array([0.0, courses[k].half, 0.0, 0.0]))
            targets.append(float((place.shifts[-1] - place.shifts[0]) @ courses[k].across) / 2)
    if len(rows) < LEAST:
        return np.eye(3)
    scale = np.array([1 / size, 1 / size, 1.0, 1.0])
    design, target = np.array(rows) * scale, np.array(targets)
    answer = np.zeros(4)
    for width in (4.0, 3.0, 2.0, 1.0, 1.0, 1.0):
        left = target - design @ answer
        say = 1.0 / np.sqrt(1.0 + (left / (width * AGREED * size)) ** 2)
        answer = np.linalg.lstsq(design * say[:, None], target * say, rcond=1e-6)[0]
    a, b, tx, ty = answer * scale
    return np.array([[1 + a, -b, tx], [b, 1 + a, ty], [0.0, 0.0, 1.0]])


def against(base: np.ndarray, course: Course, offset: float, turn: float) -> tuple[float, float]:
    """Offset across, px, and turn of a line beside ``course``, less what ``base`` (3, 3), the agreement, makes of it."""
    here = geometry.apply(base, course.middle[None])[0] - course.middle
    return offset - float(here @ course.across), turn - float((base[:2, :2] @ course.along) @ course.across)


def moved_by(shift: np.ndarray, curves: list[np.ndarray]) -> float:
    """How far a similarity (3, 3) moves the features' points at most, px."""
    points = np.vstack(curves)
    return float(np.hypot(*(geometry.apply(shift, points) - points).T).max())
