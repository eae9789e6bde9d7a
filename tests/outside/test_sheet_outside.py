"""The sheet's geometry against standards, OpenCV and plain pinhole optics."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from featurediff.geometry import apply, fit_similarity
from featurediff.sheet.pose import find_pose, homography, rectangle
from featurediff.sheet.sizes import SHEETS, parse_sheet


def test_iso_216():
    # ISO 216: A0 has one square metre and sides of 1 : sqrt 2; each next size is the last one halved, rounded down to whole mm.
    high = math.sqrt(math.sqrt(2)) * 1000
    size = (round(high / math.sqrt(2)), round(high))
    assert size == (841, 1189)
    for number in range(6):
        if number >= 3:
            assert SHEETS[f"A{number}"] == size
            # Tolerance (from memory): 2 mm up to 600 mm, 1.5 mm up to 150 mm.
            for side, longer in ((size[0], size[0] * math.sqrt(2)),):
                assert abs(size[1] - longer) < (1.5 if side <= 150 else 2.0)
        size = (size[1] // 2, size[0])


def test_letter_and_inches():
    # ANSI/ASME Y14.1: Letter is 8.5 x 11 in; an inch is 25.4 mm exactly (ISO 31-1).
    assert parse_sheet("Letter") == pytest.approx((8.5 * 25.4, 11 * 25.4))
    # Imperial 22 x 30 in, halved and quartered across the long side (common practice, no source).
    full, half, quarter = (SHEETS[f"imperial {name}"] for name in ("full", "half", "quarter"))
    assert half == pytest.approx((full[1] / 2, full[0])) and quarter == pytest.approx((half[1] / 2, half[0]))


def test_homography_against_opencv():
    rng = np.random.default_rng(0)
    for _ in range(50):
        source = rectangle((210, 297))
        target = source * rng.uniform(3, 12) + rng.normal(0, 40, (4, 2)) + rng.uniform(0, 500, 2)
        ours = homography(source, target)
        theirs, _ = cv2.findHomography(source, target, 0)
        exact = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
        places = rng.uniform([0, 0], [210, 297], (30, 2))
        assert np.allclose(apply(ours, places), apply(theirs, places), atol=1e-5)
        assert np.allclose(apply(ours, places), apply(exact, places), atol=1e-2)
        assert np.allclose(apply(ours, source), target, atol=1e-8)


def seen(tilt_deg: float, distance: float, places: np.ndarray, axis_deg: float = 0.0) -> np.ndarray:
    """Pinhole pictures of places on A4 (mm, centre at the origin), by OpenCV's own projection, focal length 1."""
    axis = np.radians(tilt_deg) * np.array([math.cos(math.radians(axis_deg)), math.sin(math.radians(axis_deg)), 0.0])
    solid = np.column_stack([places, np.zeros(len(places))])
    return cv2.projectPoints(solid, axis, np.array([0.0, 0.0, distance]), np.eye(3), np.zeros(5))[0][:, 0]


@pytest.mark.parametrize(
    ("tilt", "distance", "worst"), [(1, 600, 0.6), (2, 600, 1.2), (3, 600, 1.9), (5, 600, 3.1), (2, 900, 0.8)]
)
def test_false_error_of_a_tilted_camera(tilt, distance, worst):
    # Pinhole geometry: what squaring by the page must take away. The corners carry the largest error.
    at = np.linspace(-0.5, 0.5, 21)
    places = np.array([(210 * x, 297 * y) for x in at for y in at])
    picture = seen(tilt, distance, places)
    residual = np.hypot(*(apply(fit_similarity(picture, places), picture) - places).T)
    assert residual.max() == pytest.approx(worst, abs=0.11)
    corners = seen(tilt, distance, rectangle((210, 297)) - [105, 148.5]) * 3000 + 2000
    squared = apply(np.linalg.inv(homography(rectangle((210, 297)), corners)), picture * 3000 + 2000) - [105, 148.5]
    assert np.abs(squared - places).max() < 1e-6


@pytest.mark.parametrize(("tilt", "rms", "worst"), [(1, 0.31, 0.74), (2, 0.63, 1.49), (5, 1.58, 3.78), (10, 3.21, 7.80)])
def test_false_error_at_500_mm(tilt, rms, worst):
    at = np.linspace(-0.5, 0.5, 41)
    places = np.array([(210 * x, 297 * y) for x in at for y in at])
    picture = seen(tilt, 500, places)
    residual = np.hypot(*(apply(fit_similarity(picture, places), picture) - places).T)
    assert np.sqrt(np.mean(residual**2)) == pytest.approx(rms, rel=0.1)
    assert residual.max() == pytest.approx(worst, rel=0.1)


@pytest.mark.parametrize("tilt", [0.0, 1.0, 3.0, 6.0, 10.0, 20.0])
@pytest.mark.parametrize("axis", [0.0, 35.0, 90.0])
def test_tilt_and_orientation_by_pinhole(tilt, axis):
    focal = 26 / math.hypot(36, 24) * 5000
    corners = seen(tilt, 520, rectangle((210, 297)) - [105, 148.5], axis) * focal + [1499.5, 1999.5]
    for size in ((210, 297), (297, 210)):
        pose = find_pose(corners, size, (4000, 3000), 26.0)
        assert pose.size_mm == (210, 297)
        assert pose.tilt_deg == pytest.approx(tilt, abs=0.05)
        assert abs(find_pose(corners, size, (4000, 3000), None).tilt_deg - tilt) < 0.5
