"""Wording: rounding, articles, directions, sides."""

from __future__ import annotations

import numpy as np
import pytest

from featurediff.corrections import words
from featurediff.corrections.words import Speech
from featurediff.deviations import Frame
from featurediff.records import Feature, Subject


def frame(lean: float = 0.0, own: bool | None = None) -> Frame:
    angle = np.radians(lean)
    right, down = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    own = abs(lean) > 10 if own is None else own
    return Frame(lean, right, down, np.array([right, down]) if own else np.eye(2), own, 160.0)


def speech(lean: float = 0.0, sides: str = "picture", unit: str = "mm", top: str = "", bottom: str = "") -> Speech:
    subject = Subject((), 1000.0, "jug height", np.zeros((3, 2)), top_label=top, bottom_label=bottom)
    return Speech(subject, frame(lean), sides, unit)


@pytest.mark.parametrize(
    ("value", "rounded"),
    [
        (0.2, 0.0),
        (0.3, 0.5),
        (1.2, 1.0),
        (1.3, 1.5),
        (2.74, 2.5),
        (2.75, 3.0),
        (4.7, 4.5),
        (4.8, 5.0),
        (5.4, 5.0),
        (5.5, 6.0),
        (14.4, 14.0),
    ],
)
def test_half_millimetres_below_five_and_whole_ones_above(value, rounded):
    assert words.round_amount(value) == rounded
    assert words.round_amount(-value) == -rounded


def test_rounding_never_flips_a_sign_and_never_errs_by_more_than_half_a_step():
    for value in np.random.default_rng(0).uniform(-30, 30, 2000):
        rounded = words.round_amount(value)
        assert rounded * value >= 0
        assert abs(rounded - value) <= (0.25 if abs(value) < 4.75 else 0.5) + 1e-9


def test_no_amount_is_told_as_nothing():
    assert speech().length(0.1) == "0.5 mm"
    assert words.degrees(0.2) == "1 degree"
    assert words.percent(0.001) == "1 %"


@pytest.mark.parametrize(("value", "text"), [(1.0, "1 degree"), (-4.4, "4 degrees"), (4.6, "5 degrees")])
def test_whole_degrees_with_their_plural(value, text):
    assert words.degrees(value) == text


def test_without_mm_the_subjects_size_is_the_measure():
    assert speech(unit="%").length(2.1) == "2 % of the jug height"


@pytest.mark.parametrize(
    ("label", "text"),
    [
        ("brow", "the brow"),
        ("the rim", "the rim"),
        ("both eyes", "both eyes"),
        ("its base", "its base"),
        ("a pear", "a pear"),
        ("A of BOAT", "the A of BOAT"),
        ("A on the left", "the A on the left"),
        ("A", "the A"),
        ("Allotment", "the Allotment"),
    ],
)
def test_articles(label, text):
    assert words.the(label) == text


@pytest.mark.parametrize(("label", "plural"), [("mouth and chin", True), ("windows", True), ("chin", False), ("iris", False)])
def test_plurals(label, plural):
    assert words.several(label) is plural


def test_lists_of_names():
    assert words.join(["a"]) == "a"
    assert words.join(["a", "b"]) == "a and b"
    assert words.join(["a", "b", "c"]) == "a, b and c"


@pytest.mark.parametrize("angle", range(0, 360, 7))
def test_direction_words_agree_with_the_move(angle):
    move = 3.0 * np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    ways = {"right": [1, 0], "left": [-1, 0], "down": [0, 1], "up": [0, -1]}
    parts = words.direction(move, speech())
    for word, length in parts:
        assert np.dot(ways[word], move) > 0
        assert length > 0
    told = sum(np.array(ways[word]) * length for word, length in parts)
    assert np.dot(told, move) / np.hypot(*told) / 3.0 > np.cos(np.radians(27))


def test_a_leaning_subject_is_told_by_its_centre_line():
    up = [("up", 3.0)]
    assert words.told(up, speech(20.0, top="crown")) == "3 mm towards the crown, along the centre line"
    assert words.told(up, speech(20.0)) == "3 mm towards the top, along the centre line"
    assert words.told([("left", 3.0)], speech(20.0)) == "3 mm to the left, square to the centre line"
    assert words.told([("down", 3.0)], speech(20.0, bottom="chin"), "the chin") == "3 mm down, along the centre line"
    assert words.told(up, speech(8.0)) == "3 mm up"


def test_sitters_sides_rename_parts_but_not_directions():
    feature = Feature("brow on the left", "a/b", "point", np.zeros((1, 2)), sitter_name="sitter's right brow")
    assert speech().name(feature) == "brow on the left"
    assert speech(sides="sitter").name(feature) == "sitter's right brow"
    assert speech(sides="sitter").of("rim", "") == "rim"


def test_anchor_names_by_index_from_either_end():
    feature = Feature("brow", "a/b", "curve", np.zeros((8, 2)), anchors={"inner end": 0, "outer end": 7})
    assert words.anchor_at(feature, 7) == words.anchor_at(feature, -1) == "outer end"
    assert words.anchor_at(feature, 3) == ""
