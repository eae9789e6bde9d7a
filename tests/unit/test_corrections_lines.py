"""Corners that follow, names of rows, numbers, angles: the parts of the corrections of straight lines by themselves."""

from __future__ import annotations

import numpy as np
import pytest

from featurediff.aims import aims
from featurediff.corrections import words
from featurediff.corrections.corners import Corner, follow
from featurediff.corrections.say_rows import named
from featurediff.corrections.words import Speech
from featurediff.deviations import Frame
from featurediff.geometry import similarity_matrix
from featurediff.records import Feature, FeatureResult, Meeting, Row, Subject

FRAME = Frame(0.0, np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.eye(2), False, 160.0)
NAMES = tuple(f"window {k} of the first floor" for k in range(1, 6))
ROW = Row("windows of the first floor", NAMES, tuple((name,) for name in NAMES), "across")


def line(name: str, a, b) -> Feature:
    return Feature(name, f"house/{name}", "segment", np.array([a, b], float), slides=True)


def corner(*degrees: float) -> Corner:
    """Lines of these directions that meet in one place."""
    angle = np.radians(degrees)
    along = np.column_stack([np.cos(angle), np.sin(angle)])
    square = np.abs(np.sin(angle[:, None] - angle[None, :]))
    across = np.column_stack([-along[:, 1], along[:, 0]])
    return Corner(np.arange(len(degrees)), along, across, square.argmax(1), square.max(1) >= np.sin(np.radians(25)))


@pytest.mark.parametrize("slope", [0.0, 30.0, -40.0])
def test_a_line_is_drawn_as_far_as_the_upright_that_moved(slope):
    """Against geometry: the upright moves 2 mm right, so the other line, itself right, ends 2 mm further right on itself."""
    found = follow(np.array([[2.0, 0.0], [0.0, 0.0]]), [corner(90.0, slope)])
    expected = [2.0, 2.0 * np.tan(np.radians(slope))]
    assert found == pytest.approx(np.array([expected, expected]))


def test_across_themselves_lines_keep_their_place_and_flat_crossings_fix_nothing():
    moved = np.array([[1.0, 0.5], [-0.5, 2.0]])
    square = corner(90.0, 10.0)
    found = follow(moved, [square])
    assert (found * square.across).sum(1) == pytest.approx((moved * square.across).sum(1))
    assert follow(moved, [corner(0.0, 20.0)]) == pytest.approx(moved)
    assert follow(np.zeros((2, 2)), [square]) == pytest.approx(np.zeros((2, 2)))


@pytest.mark.parametrize(
    ("places", "text", "short"),
    [
        ((2,), "window 3 of the first floor", "window 3"),
        ((1, 2), "windows 2 and 3 of the first floor", "windows 2 and 3"),
        ((1, 2, 3), "windows 2-4 of the first floor", "windows 2-4"),
        ((0, 2, 4), "windows 1, 3 and 5 of the first floor", "windows 1, 3 and 5"),
    ],
)
def test_neighbours_in_a_row_are_named_together(places, text, short):
    assert named(ROW, places) == text
    assert named(ROW, places, short=True) == short


def test_a_row_without_numbers_is_named_one_by_one():
    row = Row("openings", ("oriel", "door", "bay", "gate"), (("a",), ("b",), ("c",), ("d",)), "across")
    assert named(row, (0, 1)) == "the oriel and the door"
    assert named(row, (0, 1, 2, 3)) == "the oriel to the gate"
    stack = Row("first column", ("window 1 of the first floor", "bay 1 of the ground floor"), (("a",), ("b",)), "down")
    assert named(stack, (0, 1)) == "window 1 of the first floor and bay 1 of the ground floor"


@pytest.mark.parametrize(
    ("label", "text"), [("eaves, left end", "left end of the eaves"), ("peak of the gable", "peak of the gable")]
)
def test_corners_are_called_by_a_line_and_its_end_or_by_their_own_name(label, text):
    assert words.corner_name(label) == text


def speech(numbered: bool) -> Speech:
    features = (line("eaves on the right", (0, 0), (9, 3)), *(line(name, (k, 5), (k, 9)) for k, name in enumerate(NAMES)))
    return Speech(Subject(features, 100.0, "height", np.zeros((3, 2)), rows=(ROW,), numbered=numbered), FRAME)


def test_numbers_follow_the_names():
    told = speech(True)
    eaves, *windows = told.subject.features
    assert told.called(eaves) == "the eaves on the right (1)"
    assert told.called(windows[2]) == "window 3 of the first floor (4)"
    assert told.numbers(windows[:3]) == " (2-4)"
    assert told.numbers((windows[0], windows[3])) == ""
    assert speech(False).called(eaves) == "the eaves on the right"
    assert speech(False).numbers(windows) == ""


@pytest.mark.parametrize(
    ("value", "fine", "text"),
    [
        (1.4, True, "1.5 degrees"),
        (1.4, False, "1 degree"),
        (0.2, True, "1 degree"),
        (-2.3, True, "2.5 degrees"),
        (7.4, True, "7 degrees"),
    ],
)
def test_half_degrees_only_where_a_line_allows_them(value, fine, text):
    assert words.degrees(value, fine) == text


@pytest.mark.parametrize(("spread", "count"), [(7.5, 0), (8.5, 1)])
def test_lines_must_spread_to_meet(spread, count):
    """Lines from one point at known angles: the spread is the angle between them (geometry)."""
    at = np.array([1000.0, 500.0])
    ways = [np.array([-np.cos(a), np.sin(a)]) for a in np.radians([0.0, spread])]
    features = tuple(line(f"line {k}", at + 900 * way, at + 400 * way) for k, way in enumerate(ways))
    subject = Subject(features, 800.0, "height", np.zeros((3, 2)), meetings=(Meeting("lines", ("line 0", "line 1"), at),))
    found = aims(subject, similarity_matrix(0.2, 12.0, (5.0, 6.0)), {"line 0", "line 1"})
    assert len(found) == count
    assert aims(subject, np.eye(3), {"line 0"}) == []
    for aim in found:
        assert (np.hypot(*(aim.hinges - aim.at).T) > np.hypot(*(aim.nears - aim.at).T)).all()


def test_results_have_no_number_unless_given():
    assert FeatureResult("rim", "jug/rim", True, "", None, None, None).number == 0
