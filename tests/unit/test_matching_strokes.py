"""Lines told by their pencil strokes: exact place and turn, presence, tone, the sides of an outline."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from featurediff.matching.banks import field_of
from featurediff.matching.doubtful import without_strayed
from featurediff.matching.found import Found, LineFit
from featurediff.matching.sides import long_sides
from featurediff.matching.strips import course_of
from featurediff.matching.strokes import find_stroke, on_strokes, tone_step
from featurediff.matching.tuning import FINE

SIZE = 600.0
LINE = course_of(np.array([[100.0, 200.0], [500.0, 200.0]]))
WINDOW = np.array([[250.0, 150.0], [330.0, 150.0], [330.0, 270.0], [250.0, 270.0]])


def paper(*lines: tuple, tone: float = 0.0, seed: int = 1) -> np.ndarray:
    """Grainy paper (400, 600), 0 dark to 1 light, with pencil lines ((x, y), (x, y), darkness) of 1.4 px; ``tone`` darkens what
    lies below y = 203."""
    wide = np.full((400 * 4, 600 * 4), 0.95, np.float32)
    wide[203 * 4 :] -= tone
    for first, last, dark in lines:
        ends = [tuple(round((each + 0.5) * 4) for each in point) for point in (first, last)]
        mark = np.zeros_like(wide)
        cv2.line(mark, *ends, 1.0, 6, cv2.LINE_AA)
        wide -= dark * mark
    grain = np.random.default_rng(seed).normal(0, 0.008, (400, 600)).astype(np.float32)
    return cv2.resize(wide, (600, 400), interpolation=cv2.INTER_AREA) + grain


def fit(offset: float, turn: float = 0.0) -> LineFit:
    """A line as the correlation has it."""
    return LineFit(offset, turn, np.diag([1.0, 1e-4]), 0.8, 1.0)


def found(offset: float, course=LINE) -> Found:
    """The same as a found feature."""
    return Found("", np.tile(offset * course.across, (2, 1)), np.tile(np.eye(2), (2, 1, 1)), np.eye(2), 0.8, fit(offset))


def placed(courses, outlines, places, sheet) -> list[Found]:
    """`on_strokes` of a sheet with its edges."""
    return on_strokes(courses, outlines, places, sheet, field_of(sheet, SIZE, FINE), lambda *line: False, SIZE)


@pytest.mark.parametrize(("offset", "rise"), [(0.0, 0.0), (2.5, 0.0), (-3.0, 3.0)])
def test_the_stroke_gives_place_and_turn_within_a_fifth_of_a_px(offset, rise):
    y = 203.0
    stroke = find_stroke(paper(((60, y - rise), (540, y + rise), 0.4)), LINE, fit(3.0 + offset), SIZE)
    assert stroke.fit.offset == pytest.approx(3.0, abs=0.2)
    assert stroke.fit.turn * LINE.half == pytest.approx(rise * 200 / 240, abs=0.3)
    assert stroke.depth > 0.05


def test_crossing_lines_and_a_broken_stroke_do_not_bend_it():
    crossing = [((x, 150), (x + 30, 260), 0.5) for x in range(120, 500, 40)]
    sheet = paper(((60, 203), (250, 203), 0.4), ((330, 203), (540, 203), 0.4), *crossing)
    stroke = find_stroke(sheet, LINE, fit(1.0), SIZE)
    assert stroke.fit.offset == pytest.approx(3.0, abs=0.3)
    assert abs(stroke.fit.turn) < 0.002


def test_a_line_without_stroke_or_tone_is_not_drawn_and_one_with_either_is():
    drawn = course_of(np.array([[100.0, 300.0], [500.0, 300.0]]))
    sheet = paper(((60, 300), (540, 300), 0.4))
    courses = {0: LINE, 1: drawn}
    bare, line = placed(courses, {}, [found(0.0), found(0.5)], sheet)
    assert bare.shifts is None and bare.why
    assert line.fit.offset == pytest.approx(0.0, abs=0.2)
    toned, _ = placed(courses, {}, [found(3.0), found(0.5)], paper(((60, 300), (540, 300), 0.4), tone=0.2))
    assert toned.fit.offset == 3.0


def test_a_tone_step_is_signed_and_none_on_bare_paper():
    assert tone_step(paper(tone=0.2), LINE.shifted(3.0, 0.0), SIZE) == pytest.approx(-0.2, abs=0.03)
    assert tone_step(paper(), LINE, SIZE) == pytest.approx(0.0, abs=0.01)


def test_a_windows_corners_go_where_its_drawn_sides_meet():
    move = np.array([1.2, -1.6])
    corners = WINDOW + move
    sheet = paper(*[(corners[k], corners[(k + 1) % 4], 0.4) for k in range(4)])
    place = Found("", np.zeros((4, 2)), np.tile(np.eye(2), (4, 1, 1)), np.eye(2), 0.8)
    (told,) = placed({}, {0: WINDOW}, [place], sheet)
    assert told.shifts == pytest.approx(np.tile(move, (4, 1)), abs=0.8)


def test_sides_end_at_corners_and_a_smooth_curve_has_none():
    around = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    assert len(long_sides(WINDOW, SIZE)) == 4
    assert long_sides(300 + 100 * np.column_stack([np.cos(around), np.sin(around)]), SIZE) == []
    head = np.column_stack(
        [290 + 40 * np.cos(np.linspace(np.pi, 2 * np.pi, 9)), 150 + 40 * np.sin(np.linspace(np.pi, 2 * np.pi, 9))]
    )
    arched = np.vstack([head, [[330.0, 270.0], [250.0, 270.0]]])
    assert [side.ends for side in long_sides(arched, SIZE)] == [(8, 9), (9, 10), (10, 0)]


def test_a_weak_match_far_from_its_place_is_not_believed_and_a_sure_one_is():
    def there(score: float, away: float) -> Found:
        return Found("", np.tile([away, 0.0], (4, 1)), np.tile(np.eye(2), (4, 1, 1)), np.eye(2), score)

    outlines = {0: WINDOW, 1: WINDOW, 2: WINDOW}
    places = [there(0.45, 26.0), there(0.8, 26.0), there(0.45, 10.0)]
    assert [each.shifts is None for each in without_strayed(outlines, places, np.eye(3), SIZE)] == [True, False, False]
