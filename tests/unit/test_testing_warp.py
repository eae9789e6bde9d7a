"""The known moves of the drawing simulator: exact where asked, still where asked, never folding, invertible."""

import numpy as np
import pytest

from featurediff.testing.warp import Move, Warp

SHAPE = (900, 700)
EYE = np.column_stack([200 + 60 * np.cos(np.linspace(0, 6, 40)), 300 + 25 * np.sin(np.linspace(0, 6, 40))])
BROW = np.column_stack([np.linspace(130, 270, 30), 230 - 20 * np.sin(np.linspace(0, np.pi, 30))])
STILL = np.vstack(
    [EYE + np.array([280, 0]), BROW + np.array([280, 0]), np.column_stack([np.linspace(250, 450, 40), np.full(40, 620.0)])]
)


def test_a_shift_a_scale_and_a_turn_are_exact_at_their_points():
    moves = [
        Move(EYE, (3.0, -12.0), scale=1.1, turn_deg=4.0),
        Move(BROW, (0.0, -14.0), turn_deg=-3.0),
    ]
    warp = Warp(moves, still=STILL, shape=SHAPE)
    for move in moves:
        assert np.abs(warp.apply(move.points) - move.apply(move.points)).max() < 0.05
    assert np.abs(warp.apply(STILL) - STILL).max() < 0.05


def test_move_turns_clockwise_on_the_paper_and_scales_about_its_middle():
    square = np.array([[10.0, 10.0], [20.0, 10.0], [20.0, 20.0], [10.0, 20.0]])
    turned = Move(square, turn_deg=90.0).apply(square)
    # Clockwise with y down: the top left corner goes to the top right.
    assert np.allclose(turned[0], [20.0, 10.0])
    wider = Move(square, (1.0, 2.0), scale=(2.0, 1.0)).apply(square)
    assert np.allclose(wider, [[6, 12], [26, 12], [26, 22], [6, 22]])


def test_the_border_stays_and_the_map_is_smooth_between():
    warp = Warp([Move(EYE, (10.0, 0.0))], still=STILL, shape=SHAPE)
    corners = np.array([[0.0, 0.0], [699.0, 0.0], [699.0, 899.0], [0.0, 899.0]])
    assert np.abs(warp.apply(corners) - corners).max() < 1.0
    line = np.column_stack([np.linspace(0, 699, 1400), np.full(1400, 300.0)])
    step = np.diff(warp.apply(line), axis=0)
    assert np.abs(np.diff(step, axis=0)).max() < 0.05


def test_inverse_and_inverse_map_undo_apply():
    warp = Warp([Move(EYE, (0.0, -12.0)), Move(BROW, (0.0, -12.0))], still=STILL, shape=SHAPE)
    rng = np.random.default_rng(3)
    points = rng.uniform([0, 0], [699, 899], (400, 2))
    assert np.abs(warp.inverse(warp.apply(points)) - points).max() < 0.01
    back = warp.inverse_map(*SHAPE)
    cells = np.round(warp.apply(np.vstack([EYE, BROW, points]))).astype(int)
    cells = cells[(cells >= 0).all(1) & (cells[:, 0] < 700) & (cells[:, 1] < 900)]
    away = warp.apply(back[cells[:, 1], cells[:, 0]]) - cells
    assert np.abs(away).max() < 0.15


def test_folding_moves_and_conflicting_moves_are_refused():
    with pytest.raises(ValueError, match="fold"):
        Warp([Move(BROW, (0.0, 60.0))], still=BROW + np.array([0, 15.0]), shape=SHAPE)
    with pytest.raises(ValueError, match="same reference point"):
        Warp([Move(BROW, (0.0, 5.0)), Move(BROW[:5], (5.0, 0.0))], shape=SHAPE)


def test_no_moves_is_the_identity():
    warp = Warp([], still=STILL, shape=SHAPE)
    assert np.abs(warp.apply(EYE) - EYE).max() < 1e-6
    assert warp.jacobian_min() == pytest.approx(1.0, abs=1e-6)
