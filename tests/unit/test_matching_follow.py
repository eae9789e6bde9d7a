"""An outline followed along its stroke where that leaves its place: only where nothing else can be meant."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from featurediff.geometry import normals, resample
from featurediff.matching.follow import UNFOLLOWED, followed, smoothed_for_edges, strokes_of
from featurediff.matching.found import Found

SIZE, SHAPE = 600.0, (500, 640)
T = np.linspace(0, 2 * np.pi, 160, endpoint=False)
# A pebble, about 130 mm across where 600 px are 160 mm.
PEBBLE = np.column_stack([320 + 240 * np.cos(T) + 18 * np.cos(3 * T), 250 + 150 * np.sin(T) + 12 * np.sin(2 * T)])
UPPER = PEBBLE[85:155]


def dented(line: np.ndarray, px: float, long: float, at: float = 0.4, closed: bool = False) -> np.ndarray:
    """The line pushed aside by ``px`` over ``long`` px around the share ``at`` of it, sampled finely."""
    fine = resample(line, 1.0, closed)
    arc = np.arange(len(fine)) - at * len(fine)
    share = np.where(np.abs(arc) < long / 2, np.cos(np.pi * arc / long) ** 2, 0.0)
    return fine + (px * share)[:, None] * normals(fine, closed)


def paper(*lines: np.ndarray, closed: bool = False, tone: bool = False) -> np.ndarray:
    """Grainy paper with pencil lines of 2 px; or, for a reference, what lies within the first one darker (``tone``)."""
    wide = np.full((4 * SHAPE[0], 4 * SHAPE[1]), 240, np.uint8)
    fixed = [np.round(((line + 0.5) * 4 - 0.5) * 16).astype(np.int32) for line in lines]
    if tone:
        cv2.fillPoly(wide, [fixed[0]], 120, cv2.LINE_AA, 4)
        fixed = fixed[1:]
    cv2.polylines(wide, fixed, closed, 90, 8, cv2.LINE_AA, 4)
    grain = np.random.default_rng(1).normal(0, 2.0, SHAPE)
    return ((cv2.resize(wide, SHAPE[::-1], interpolation=cv2.INTER_AREA) + grain) / 255).astype(np.float32)


def place(curve: np.ndarray, shift=(0.0, 0.0)) -> Found:
    """A curve found where the reference has it, or moved by ``shift`` px."""
    shifts = np.tile(np.asarray(shift, float), (len(curve), 1))
    return Found("", shifts, np.tile(np.eye(2), (len(curve), 1, 1)), np.eye(2), 0.8)


def follow(curve: np.ndarray, sheet: np.ndarray, reference: np.ndarray, closed: bool = False, shift=(0.0, 0.0)) -> Found:
    """The curve after following."""
    return followed(curve, closed, place(curve, shift), strokes_of(sheet, SIZE), smoothed_for_edges(reference, SIZE), SIZE)


def drawn(curve: np.ndarray, sheet: np.ndarray, reference: np.ndarray, closed: bool = False, shift=(0.0, 0.0)) -> np.ndarray:
    """The curve's points after following."""
    return curve + follow(curve, sheet, reference, closed, shift).shifts


def away(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """(n,) distance from a dense line."""
    return np.sqrt(((points[:, None] - line[None]) ** 2).sum(2)).min(1)


REFERENCE = paper(PEBBLE, tone=True)


# 3 to 6 mm deep over 10 to 30 mm, where 600 px are 160 mm.
@pytest.mark.parametrize(("px", "long"), [(11, 45), (-11, 75), (17, 94), (-15, 60), (22, 110)])
@pytest.mark.parametrize("closed", [False, True])
def test_a_dent_is_followed(px, long, closed):
    curve = PEBBLE if closed else UPPER
    line = dented(curve, px, long, closed=closed)
    points = drawn(curve, paper(line, closed=closed), REFERENCE, closed)
    assert away(points, line).max() < 1.5  # 0.4 mm
    assert away(curve, line).max() > 0.7 * abs(px)


def test_a_dent_is_followed_in_a_drawing_that_has_moved():
    line = dented(UPPER, 15, 80) + (4.0, -3.0)
    assert away(drawn(UPPER, paper(line), REFERENCE, shift=(4.0, -3.0)), line).max() < 1.5


def test_what_is_right_stays():
    points = drawn(UPPER, paper(UPPER), REFERENCE)
    assert np.array_equal(points, UPPER)


def test_a_second_line_beside_the_outline_leads_nowhere():
    points = drawn(UPPER, paper(resample(UPPER, 1.0), dented(UPPER, 15, 80)), REFERENCE)
    assert np.array_equal(points, UPPER)


def test_of_two_ways_neither_is_taken():
    points = drawn(UPPER, paper(dented(UPPER, 15, 80), dented(UPPER, -14, 80)), REFERENCE)
    assert away(points, UPPER).max() < 1.0


def test_a_line_that_the_reference_shows_too_is_not_the_outlines():
    other = dented(UPPER, -15, 80)
    stray = drawn(UPPER, paper(other), paper(PEBBLE, other, tone=True))
    assert away(stray, UPPER).max() < 1.0


def test_a_gap_stays_a_gap():
    line = dented(UPPER, 15, 80)
    cut = [line[: round(0.33 * len(line))], line[round(0.47 * len(line)) :]]
    assert away(drawn(UPPER, paper(*cut), REFERENCE), UPPER).max() < 1.0


def test_blank_paper_leads_nowhere():
    assert np.array_equal(drawn(UPPER, paper(), REFERENCE), UPPER)


def shaded() -> np.ndarray:
    """A reference whose thing is darkest at its border and lighter inwards by degrees."""
    inside = cv2.distanceTransform((cv2.GaussianBlur(REFERENCE, (0, 0), 2) < 0.7).astype(np.uint8), cv2.DIST_L2, 5)
    shade = 0.45 + 0.35 * np.sqrt(np.clip(inside / 60, 0, 1))
    return np.where(inside > 0, shade, 0.94).astype(np.float32)


def test_a_round_things_shade_is_no_line_beside_its_outline():
    line = dented(UPPER, -15, 80)
    assert away(drawn(UPPER, paper(line), shaded()), line).max() < 1.5


def test_where_the_line_has_gone_nowhere_sure_the_points_are_not_seen():
    other = dented(UPPER, -15, 80)
    found = follow(UPPER, paper(other), paper(PEBBLE, other, tone=True))
    gone = away(UPPER, other) > 6
    assert gone.any() and found.unseen[gone].all()
    assert not found.unseen[away(UPPER, other) < 1].any()


def test_a_line_that_leaves_at_the_end_of_a_stretch_is_not_seen_there():
    line = dented(UPPER, 18, 90, at=0.98)
    found = follow(UPPER, paper(line), REFERENCE)
    assert found.unseen[-2:].all() and not found.unseen[: len(UPPER) // 2].any()


def test_what_is_right_is_seen_all_along():
    for closed, curve in ((False, UPPER), (True, PEBBLE)):
        found = follow(curve, paper(curve, closed=closed), REFERENCE, closed)
        assert found.unseen is None and not found.partly


def test_an_outline_among_hatching_is_said_to_hide_its_dents():
    hatches = [np.array([[x, 60.0], [x - 90, 460.0]]) for x in range(60, 720, 5)]
    assert follow(UPPER, paper(UPPER, *hatches), REFERENCE).partly == UNFOLLOWED
    assert follow(UPPER, paper(), REFERENCE).partly == UNFOLLOWED
