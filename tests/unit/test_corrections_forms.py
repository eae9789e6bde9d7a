"""Ways of bending a side, an axis and an ellipse."""

import numpy as np
import pytest

from featurediff import bends
from featurediff.geometry import normals

RIGHT, DOWN = np.array([1.0, 0.0]), np.array([0.0, 1.0])


def side(count=81):
    """A bottle's right side, 100 mm high: neck, slanting shoulder at half height, upright body."""
    y = np.linspace(0, 100, count)
    return np.column_stack([20 + 15 / (1 + np.exp(-(y - 50) / 4)), y])


def test_what_bends_keeps_the_ends():
    fields = bends.side_fields(side(), {"shoulder": 40, "rim": 0}, RIGHT, DOWN)
    assert set(fields) == {"bulge", "shoulder"}
    for name, field in fields.items():
        assert np.abs(field[[0, -1]]).max() < 1e-12
        assert np.hypot(*field[40]) == pytest.approx(1.0), name


def test_an_upright_side_does_not_show_its_levels():
    straight = np.column_stack([np.full(81, 20.0), np.linspace(0, 100, 81)])
    field = bends.side_fields(straight, {"shoulder": 40}, RIGHT, DOWN)["shoulder"]
    assert not bends.shows(field, normals(straight))
    bent = bends.side_fields(side(), {"shoulder": 40}, RIGHT, DOWN)["shoulder"]
    assert bends.shows(bent, normals(side()))


def test_points_keep_width_and_height_and_lie_inside():
    """Two parabolic arcs 1 - t^2 between the same ends and the same top as the ellipse sqrt(1 - t^2) (geometry)."""
    angle = np.linspace(0, 2 * np.pi, 361)[:-1]
    ellipse = np.column_stack([25 * np.cos(angle), 8.5 * np.sin(angle)])
    pointed = ellipse + bends.pointed_field(ellipse, RIGHT, DOWN)
    assert np.ptp(pointed, axis=0) == pytest.approx([50, 17])
    expected = 8.5 * (1 - (pointed[:, 0] / 25) ** 2)
    assert np.abs(pointed[:, 1]) == pytest.approx(expected, abs=1e-9)


def test_lean_is_told_whatever_the_move_and_the_size():
    rng = np.random.default_rng(3)
    foot, reach = np.array([50.0, 120.0]), 100.0
    points = [np.column_stack([np.full(11, x), np.linspace(20, 120, 11)]) for x in (30.0, 70.0)]
    off = [bends.lean_field(p, foot, reach, RIGHT, DOWN) * 4.0 + 0.03 * (p - foot) + [2.0, -1.0] for p in points]
    rows = []
    for p, moved in zip(points, off, strict=True):
        for k in (0, 5, 10):
            weights = np.zeros_like(p)
            weights[k, 0] = 1.0
            rows.append((p, weights, float((weights * moved).sum() + rng.normal(0, 0.01)), 0.01))
    amount, error = bends.lean_of(rows, foot, reach, RIGHT, DOWN)
    assert amount == pytest.approx(4.0, abs=0.05) and 0 < error < 0.1
    assert bends.lean_of(rows[:1], foot, reach, RIGHT, DOWN) is None
