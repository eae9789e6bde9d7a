"""Other edges of a moulding: a line drawn for one of them is right, a line off all of them is not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from featurediff.geometry import apply
from featurediff.matching.banks import Bank, field_of
from featurediff.matching.beside import meant_edge, on_meant_edges
from featurediff.matching.doubles import line_double, without_doubles
from featurediff.matching.found import Found, LineFit
from featurediff.matching.strips import course_of
from featurediff.matching.tuning import FINE
from featurediff.matching.whole import whole_shift

SIZE = 600.0


def picture(*edges: tuple[float, float, float]) -> np.ndarray:
    """A grey field (400, 600) that steps down across each (y at the left, y at the right, by how much) from above."""
    grey = np.full((400, 600), 0.8)
    rows = np.arange(400)[:, None]
    for left, right, step in edges:
        y = np.linspace(left, right, 600)[None]
        grey -= step * np.clip(rows - y + 0.5, 0, 1)
    grey += np.random.default_rng(1).normal(0, 0.01, grey.shape)
    return cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)


LINE = course_of(np.array([[60.0, 200.0], [540.0, 200.0]]))


@pytest.mark.parametrize("weak", [0.3, 0.04])
def test_a_line_on_the_other_edge_of_a_band_is_meant_for_it(weak):
    grey = picture((200, 200, 0.3), (190, 190, weak))
    other, slant = meant_edge(grey, LINE, -9.0, 0.0, SIZE)
    assert other == pytest.approx(-10.0, abs=0.6)
    assert abs(slant) < 0.007


@pytest.mark.parametrize("offset", [-14.0, -5.0, 9.0])
def test_a_line_on_no_edge_is_not(offset):
    assert meant_edge(picture((200, 200, 0.3), (190, 190, 0.3)), LINE, offset, 0.0, SIZE) == (0.0, 0.0)


def test_the_lines_own_edge_is_no_other():
    assert meant_edge(picture((200, 200, 0.3)), LINE, 1.5, 0.0, SIZE) == (0.0, 0.0)


def test_a_slanting_edge_counts_for_a_line_slanted_as_it_is():
    grey = picture((200, 200, 0.3), (176, 194, 0.3))  # by 18 px in 600
    other, slant = meant_edge(grey, LINE, -15.0, 0.03, SIZE)
    assert other == pytest.approx(-15.0, abs=0.6)
    assert slant == pytest.approx(0.03, abs=0.007)
    assert meant_edge(grey, LINE, -15.0, 0.0, SIZE) == (0.0, 0.0)


def line_found(offset: float) -> Found:
    fit = LineFit(offset, 0.0, np.diag([0.25, 1e-6]), 0.9, 1.0)
    return Found("", np.array([[0.0, offset]] * 2), np.tile(np.eye(2), (2, 1, 1)), np.eye(2), 0.9, fit)


def test_it_is_told_for_its_own_edge_and_less_surely():
    grey = picture((200, 200, 0.3), (190, 190, 0.1))
    (told,) = on_meant_edges({0: LINE}, {}, [line_found(-9.4)], np.eye(3), grey, SIZE)
    assert told.fit.offset == pytest.approx(0.6, abs=0.6)
    assert told.shifts[:, 1] == pytest.approx(told.fit.offset, abs=1e-6)
    assert told.fit.variance_at(0.0) > 4 * line_found(-9.4).fit.variance_at(0.0)
    (same,) = on_meant_edges({0: LINE}, {}, [line_found(-5.0)], np.eye(3), grey, SIZE)
    assert same.fit.offset == -5.0


WINDOW = np.array([[250.0, 120.0], [350.0, 120.0], [350.0, 260.0], [250.0, 260.0]])


def window_picture() -> np.ndarray:
    grey = np.full((400, 600), 0.8, np.float32)
    cv2.rectangle(grey, (250, 120), (350, 260), 0.2, -1)
    cv2.rectangle(grey, (250, 261), (350, 271), 0.9, -1)
    grey[272:, 250:351] = 0.7
    return cv2.GaussianBlur(grey, (0, 0), 1.0)


def outline_found(shifts: np.ndarray) -> Found:
    return Found("", shifts, np.tile(np.eye(2), (4, 1, 1)), np.eye(2), 0.9)


def test_a_side_drawn_at_the_lower_edge_of_the_sill_is_right():
    shifts = np.array([[0.0, 0.0], [0.0, 0.0], [0.0, 11.0], [0.0, 11.0]])
    (told,) = on_meant_edges({}, {0: WINDOW}, [outline_found(shifts)], np.eye(3), window_picture(), SIZE)
    assert np.abs(told.shifts).max() < 1.5


def test_an_outline_moved_as_a_whole_stays_moved():
    (told,) = on_meant_edges({}, {0: WINDOW}, [outline_found(np.tile([0.0, 11.0], (4, 1)))], np.eye(3), window_picture(), SIZE)
    assert told.shifts == pytest.approx(np.tile([0.0, 11.0], (4, 1)))


def test_a_like_line_beside_is_seen_and_open_ground_is_not():
    grey = picture((200, 200, 0.25), (224, 224, -0.25))
    bank = Bank("tone", field_of(grey, SIZE, FINE), FINE.grain * SIZE)
    assert line_double(bank, LINE, 24.0, 0.0, SIZE) > 0.6
    assert line_double(bank, LINE, -24.0, 0.0, SIZE) < 0.3
    assert line_double(bank, LINE, 1.0, 0.0, SIZE) == 0.0


def test_what_most_features_agree_on_is_a_similarity_that_lines_tell_across_themselves_only():
    rng = np.random.default_rng(3)
    ends = [rng.uniform(50, 550, (2, 2)) for _ in range(24)]
    courses = {k: course_of(each) for k, each in enumerate(ends)}
    true = np.array([[1.01, -0.005, 3.0], [0.005, 1.01, -2.0], [0.0, 0.0, 1.0]])
    found = []
    for k, course in courses.items():
        off = (apply(true, course.ends) - course.ends) @ course.across + (30.0 if k < 4 else 0.0)
        found.append(Found("", off[:, None] * course.across, np.tile(np.eye(2), (2, 1, 1)), np.eye(2), 0.9))
    assert whole_shift(courses, ends, found, SIZE) == pytest.approx(true, abs=0.3)


def test_a_clear_edge_beyond_a_mouldings_width_leaves_it_open_which_is_meant_and_bare_wall_does_not():
    grey = picture((200, 200, 0.25), (219, 219, -0.25))
    bank = Bank("tone", field_of(np.full_like(grey, 0.5), SIZE, FINE), FINE.grain * SIZE)
    on_it, on_wall = line_found(19.0), line_found(-19.0)
    courses = {0: LINE}
    (open_which,) = without_doubles(courses, [on_it], np.eye(3), bank, grey, SIZE)
    (kept,) = without_doubles(courses, [on_wall], np.eye(3), bank, grey, SIZE)
    assert open_which.shifts is None and "neighbour" in open_which.why
    assert kept is on_wall


def test_a_line_far_from_its_place_by_itself_is_not_believed_and_one_that_moved_with_another_is():
    grey = np.full((400, 600), 0.8)
    bank = Bank("tone", field_of(grey, SIZE, FINE), FINE.grain * SIZE)
    above, below = course_of(LINE.ends - [0, 60]), course_of(LINE.ends + [0, 90])
    courses = {0: LINE, 1: above, 2: below}
    alone = without_doubles(courses, [line_found(24.0), line_found(0.5), line_found(0.0)], np.eye(3), bank, grey, SIZE)
    together = without_doubles(courses, [line_found(24.0), line_found(20.0), line_found(0.0)], np.eye(3), bank, grey, SIZE)
    assert [each.shifts is None for each in alone] == [True, False, False]
    assert [each.shifts is None for each in together] == [False, False, False]
