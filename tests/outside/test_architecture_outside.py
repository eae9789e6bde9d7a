"""The architecture detector's parts against facts and libraries from outside the project."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from featurediff_architecture.directions import Direction, Directions, find_directions, off_direction
from featurediff_architecture.segments import _ALONG, Lines, _robust_fit, find_lines, raw_segments
from featurediff_architecture.straighten import focal_px, upright_homography
from featurediff_architecture.working import working_copy
from scipy.optimize import least_squares

from featurediff.geometry import apply

SIZE = (1200, 900)
MIDDLE = np.array([599.5, 449.5])


def as_lines(ends):
    ends = np.asarray(ends, float).reshape(-1, 2, 2)
    n = len(ends)
    return Lines(ends, np.full(n, 10.0), np.ones(n), np.zeros(n))


def camera(focal, pitch=0.0, yaw=0.0, roll=0.0):
    """Camera matrix and rotation, (3, 3) each: world x right, y down, z ahead; degrees."""
    axes = (([0, 1, 0], yaw), ([1, 0, 0], pitch), ([0, 0, 1], roll))
    turns = [np.array(axis, float) * math.radians(angle) for axis, angle in axes]
    turn = cv2.Rodrigues(turns[2])[0] @ cv2.Rodrigues(turns[1])[0] @ cv2.Rodrigues(turns[0])[0]
    inner = np.array([[focal, 0, MIDDLE[0]], [0, focal, MIDDLE[1]], [0, 0, 1.0]])
    return inner, turn


def box_edges(inner, turn, rng, noise=0.0):
    """Ends (n, 2, 2) of level and upright edges of a box 3 x 3 x 3 whose corner points at the camera, broken at random."""
    corner, axes = np.array([0.0, 0.6, 7.0]), np.array([[0.7071, 0, 0.7071], [-0.7071, 0, 0.7071], [0, -1, 0]])
    ends = []
    for height in np.linspace(0, 3, 9):
        for axis in axes[:2]:
            a, b = np.sort(rng.uniform(0, 3, 2))
            a, b = (a, a + 1.0) if b - a < 1.0 else (a, b)
            ends.append([corner + a * axis + height * axes[2], corner + b * axis + height * axes[2]])
    for along in np.linspace(0, 3, 6):
        for axis in axes[:2]:
            ends.append([corner + along * axis, corner + along * axis + 3 * axes[2]])
    seen = np.array(ends).reshape(-1, 3) @ turn.T @ inner.T
    flat = seen[:, :2] / seen[:, 2:]
    return (flat + rng.normal(0, noise, flat.shape)).reshape(-1, 2, 2)


@pytest.mark.parametrize("focal", [900.0, 1300.0, 2000.0])
def test_right_angles_seen_by_a_level_camera_multiply_to_minus_f_squared(focal):
    """Level camera, two level directions at right angles: x1 x2 = -f^2 from the principal point (Caprile and Torre 1990,
    IJCV 4: vanishing points of directions at right angles; the formula from memory)."""
    inner, turn = camera(focal, yaw=12.0)
    lines = as_lines(box_edges(inner, turn, np.random.default_rng(1), noise=0.2))
    found = find_directions(lines, SIZE)
    x1, x2 = (d.at[0] - MIDDLE[0] for d in found.level[:2])
    assert x1 * x2 == pytest.approx(-(focal**2), rel=0.05)


@pytest.mark.parametrize("view", [(0, 15, 0), (8, -10, 0), (-6, 20, 3), (12, 5, -4)])
def test_vanishing_points_of_a_known_camera(view):
    """v = K R d (Hartley and Zisserman, Multiple View Geometry, 2nd ed., ch. 8), ends known to 0.3 px."""
    pitch, yaw, roll = view
    inner, turn = camera(1100.0, pitch, yaw, roll)
    lines = as_lines(box_edges(inner, turn, np.random.default_rng(2), noise=0.3))
    found = find_directions(lines, SIZE)
    for axis in ([0.7071, 0, 0.7071], [-0.7071, 0, 0.7071]):
        truth = inner @ turn @ np.array(axis)
        best = min(found.level, key=lambda d: np.abs(np.cross(_unit(d.point), _unit(truth))).sum())
        aim = np.hypot(*(truth[:2] / truth[2] - MIDDLE))
        assert np.hypot(*(best.at - truth[:2] / truth[2])) < 0.02 * aim
    upright = inner @ turn @ np.array([0, 1.0, 0])
    here = np.array([[300.0, 450.0], [900.0, 450.0]])
    true_way = upright[:2] - here * upright[2]
    true_way = true_way / np.hypot(*true_way.T)[:, None]
    assert np.degrees(np.arccos(np.clip(np.abs((found.down(here) * true_way).sum(1)), 0, 1))).max() < 0.4
    # The eye level is the picture of the plane at eye height: the line (K R)^-T n.
    line = np.linalg.inv(inner @ turn).T @ np.array([0, 1.0, 0])
    x = np.array([100.0, 1100.0])
    assert found.eye_height(x) == pytest.approx(-(line[0] * x + line[2]) / line[1], abs=0.012 * SIZE[1])


def _unit(v):
    return v / np.linalg.norm(v * [1, 1, 1000.0]) * [1, 1, 1000.0]


def test_a_far_vanishing_point_is_a_direction():
    """A wall seen straight on: its level lines are parallel, and the point lies at infinity or so far off that they are."""
    rng = np.random.default_rng(3)
    levels = [[[100 + rng.uniform(0, 99), y], [900 + rng.uniform(0, 99), y]] for y in np.linspace(80, 700, 9)]
    uprights = [[[x, 80], [x, 700]] for x in np.linspace(100, 1000, 7)]
    found = find_directions(as_lines(np.array(levels + uprights) + rng.normal(0, 0.2, (16, 2, 2))), SIZE)
    way = found.level[0].way(np.array([[100.0, 100.0], [1000.0, 700.0]]))
    assert np.degrees(np.abs(np.arctan(way[:, 1] / way[:, 0]))).max() < 0.1
    assert found.eye_level is None


def test_refined_point_is_the_least_squares_one():
    """Against scipy's least squares of the same angles."""
    rng = np.random.default_rng(4)
    truth = np.array([2100.0, 420.0])
    starts = rng.uniform([100, 100], [700, 800], (20, 2))
    ends = np.stack([starts, starts + 0.25 * (truth - starts)], 1) + rng.normal(0, 0.5, (20, 2, 2))
    lines = as_lines(ends)
    found = find_directions(lines, SIZE).level[0]
    members = lines.take(found.members)

    def residual(at):
        return np.radians(off_direction(members, np.array([*at, 1.0]))) * members.length**0.75

    best = least_squares(residual, truth, x_scale=100.0).x
    assert len(found.members) >= 18
    assert np.hypot(*(found.at - best)) < 2.0


def test_line_fit_is_the_cauchy_fit():
    """Iterated reweighting settles where scipy's least squares with Cauchy's loss (scale 0.4) does."""
    rng = np.random.default_rng(5)
    for _ in range(5):
        offset = 0.3 + 0.8 * (_ALONG - 0.5) + rng.normal(0, 0.15, len(_ALONG))
        offset[rng.choice(len(_ALONG), 9, replace=False)] += rng.uniform(1, 3, 9)

        def residual(p, offset=offset):
            return p[0] + p[1] * (_ALONG - 0.5) - offset

        best = least_squares(residual, [0.3, 0.8], loss="cauchy", f_scale=0.4).x
        shift, rise = _robust_fit(offset[None], np.ones((1, len(_ALONG))))
        assert (shift[0], rise[0]) == pytest.approx(tuple(best), abs=0.02)


# ---------------------------------------------------------------- the line segment detector as published


def test_noise_holds_about_no_segment():
    """von Gioi, Jakubowicz, Morel and Randall 2012, IPOL 2, "LSD: a Line Segment Detector": with epsilon = 1, at most one false
    detection on average on a picture of white noise."""
    counts = []
    for seed in range(10):
        noise = np.random.default_rng(seed).normal(128, 40, (512, 512))
        counts.append(len(raw_segments(np.clip(noise, 0, 255).astype(np.float32))))
    assert np.mean(counts) <= 1.0


def half_plane(angle, offset, size=400, soft=0.7):
    """A straight edge through (size / 2 + offset) along ``angle`` degrees, blurred as a lens does: exact by its integral."""
    y, x = np.mgrid[:size, :size].astype(float)
    way = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    away = -(x - size / 2) * way[1] + (y - size / 2) * way[0] - offset
    grey = 70 + 110 / (1 + np.exp(np.clip(-away / (soft * 0.55), -50, 50)))
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, 2), way


@pytest.mark.parametrize("angle", [0.0, 3.7, 27.0, 45.0, 71.3, 90.0])
def test_an_edge_is_found_to_a_fraction_of_a_px(angle):
    """The published detector is sub-pixel (same source); ours, refitted, is held to 0.08 px and 0.05 degrees."""
    for offset in (0.0, 0.25, 0.6):
        pixels, way = half_plane(angle, offset)
        lines = find_lines(working_copy(pixels))
        assert len(lines) == 1
        away = -(lines.ends[0, :, 0] - 200) * way[1] + (lines.ends[0, :, 1] - 200) * way[0] - offset
        assert np.abs(away).max() < 0.08
        turned = abs((lines.angle[0] - angle + 90) % 180 - 90)
        assert turned < 0.05


def test_a_thin_line_has_two_sides_and_becomes_one():
    """The detector works on the gradient, so that a line of some thickness gives a segment on each side (same source); the two
    are joined to the middle line."""
    upper, way = half_plane(25.0, -2.0)
    lower, _ = half_plane(25.0, 2.0)
    grey = 250 - (upper.astype(int) - lower)
    assert len(raw_segments(grey[..., 0].astype(np.float32))) == 2
    lines = find_lines(working_copy(grey.astype(np.uint8)))
    assert len(lines) == 1
    assert lines.thin[0] == pytest.approx(4.0, abs=0.2)
    away = -(lines.ends[0, :, 0] - 200) * way[1] + (lines.ends[0, :, 1] - 200) * way[0]
    assert np.abs(away).max() < 0.08


# ---------------------------------------------------------------- straightened verticals


@pytest.mark.parametrize("view", [(14, 20, 0), (9, -25, 2), (-8, 10, -1)])
def test_straightening_gives_the_picture_of_a_level_camera(view):
    """Points of the straightened picture differ from those that a camera held level takes from the same place only by scale,
    move and a turn about the plumb line - so that plumb lines are upright and walls keep their own perspective."""
    pitch, yaw, roll = view
    inner, turn = camera(1100.0, pitch, yaw, roll)
    upright = inner @ turn @ np.array([0, 1.0, 0])
    matrix = upright_homography(upright, SIZE, 1100.0)
    rng = np.random.default_rng(6)
    points = rng.uniform([-2, -2, 6], [2, 1, 10], (12, 3))
    plumb = np.stack([points, points + [0, 1.5, 0]], 1).reshape(-1, 3)
    seen = plumb @ turn.T @ inner.T
    flat = apply(matrix, seen[:, :2] / seen[:, 2:]).reshape(-1, 2, 2)
    assert np.abs(flat[:, 0, 0] - flat[:, 1, 0]).max() < 1e-6
    # A camera held level has all level directions on one level line.
    level = np.array([[math.sin(a), 0, math.cos(a)] for a in (-0.5, 0.2, 0.6)]) @ turn.T @ inner.T
    heights = apply(matrix, level[:, :2] / level[:, 2:])[:, 1]
    assert np.ptp(heights) < 1e-6


def test_focal_length_from_right_angles():
    """(a - p) . (b - p) = -f^2 for vanishing points of directions at right angles (Caprile and Torre 1990, from memory)."""
    inner, turn = camera(1100.0, 15.0, 20.0)
    vertical, level = inner @ turn @ [0, 1.0, 0], inner @ turn @ [0.7071, 0, 0.7071]
    found = Directions(_direction(vertical, "vertical"), (_direction(level, "level"),), None, SIZE)
    assert focal_px(SIZE, None, found, 1.0) == pytest.approx(1100.0, rel=0.01)
    # 28 mm on 36 x 24 mm film, by the diagonal (CIPA DC-008, FocalLengthIn35mmFilm; from memory).
    assert focal_px(SIZE, 28.0, found, 1.0) == pytest.approx(28 / 43.267 * 1500.0, rel=1e-3)


def _direction(point, kind):
    return Direction(np.asarray(point, float), np.arange(3), 20.0, 1000.0, kind)
