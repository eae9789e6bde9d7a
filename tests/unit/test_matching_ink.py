"""What is drawn stands out from the paper's own grain, on bare paper and on a sheet hatched from edge to edge."""

import cv2
import numpy as np
import pytest

from featurediff.matching.ink import DRAWN, bare_along, ink_along, ink_map

SIDE, SIZE = 600, 400.0
LINE = np.array([[150.0, 300.0], [450.0, 300.0]])


def paper(grain: float) -> np.ndarray:
    """(h, w) float32 in 0..1, pale, with so much grain."""
    noise = np.random.default_rng(7).normal(0, grain, (SIDE, SIDE))
    return (0.9 + cv2.GaussianBlur(noise, (0, 0), 1.0)).astype(np.float32)


def hatched(sheet: np.ndarray) -> np.ndarray:
    """The sheet under slanting strokes from edge to edge, a square left bare whose upper side is the line."""
    tone = np.ones((SIDE, SIDE), np.float32)
    for offset in range(-SIDE, SIDE, 9):
        cv2.line(tone, (offset, SIDE), (offset + SIDE, 0), 0.35, 3, cv2.LINE_AA)
    tone[300:450, 150:450] = 1.0
    return sheet * tone


def told(sheet: np.ndarray) -> float:
    return ink_along(ink_map(sheet, sheet, 1.0, SIZE), LINE, False, 2.0)


@pytest.mark.parametrize("grain", [0.005, 0.02])
def test_bare_paper_is_not_drawn_on_and_a_pencil_line_is(grain):
    sheet = paper(grain)
    assert told(sheet) < DRAWN
    drawn = sheet.copy()
    cv2.line(drawn, (150, 300), (450, 300), 0.5, 2, cv2.LINE_AA)
    assert told(drawn) > DRAWN


def test_an_edge_in_a_sheet_that_is_hatched_all_over_counts_as_drawn():
    assert told(hatched(paper(0.005))) > DRAWN


def test_a_long_stretch_on_bare_paper_is_told_and_a_gap_of_the_hand_is_not():
    line = np.column_stack([np.arange(20.0, 181.0, 4.0), np.full(41, 50.0)])
    drawn = np.zeros((100, 200), np.float32)
    drawn[46:55, 18:100] = drawn[46:55, 106:130] = 20.0
    bare = bare_along(drawn, line, False, 20.0)
    assert np.array_equal(bare, line[:, 0] > 131)
