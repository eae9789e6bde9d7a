"""Letters are found where they are, called what the artist calls them, and found again in drawings."""

import numpy as np
import pytest
from featurediff_lettering.detector import LetteringDetector
from featurediff_lettering.finding import lines_of_letters
from featurediff_lettering.guides import guides
from featurediff_lettering.naming import names_of
from scene import ACROSS, BASE, TEXT, TOP, reference

from featurediff.api import Picture, SubjectError
from featurediff.testing.kit import conforms, measured


def found(pixels, **settings):
    subject = LetteringDetector().find(Picture(pixels, "test.png"), settings)
    return subject, {feature.name: feature for feature in subject.features}


@pytest.mark.parametrize("colours", [{}, {"ink": (240, 230, 190), "ground": (40, 80, 70)}], ids=["dark", "pale"])
def test_each_letter_lies_where_it_is(colours):
    (line,) = lines_of_letters(reference(**colours))
    for letter, (left, right) in zip(line, ACROSS.values(), strict=True):
        assert letter.box == pytest.approx([left, TOP, right, BASE], abs=2)
    assert [len(letter.counters) for letter in line] == [0, 1, 0, 0]
    assert np.ptp(line[1].counters[0], axis=0) == pytest.approx([170, 260], abs=2)


def test_stems_are_told_by_their_sides():
    _, features = found(reference(), text=TEXT)
    left, right = ACROSS["H"]
    sides = {"left side of the left stem of the H of HOLE": left, "right side of the right stem of the H of HOLE": right}
    for name, x in sides.items():
        assert features[name].points[:, 0] == pytest.approx([x, x], abs=1.5)
    assert "left side of the stem of the E of HOLE" in features
    # The bare top of this L is an edge that slides along itself: it is judged with the whole outline.
    assert features["L of HOLE"].closed
    assert not [name for name in features if "stem of the O" in name]


def test_base_and_cap_line_are_lengths_for_the_plan():
    subject, _ = found(reference(), text=TEXT)
    assert [start.label for start in subject.starts] == [
        "base line of HOLE",
        "height of the capitals of HOLE",
        "width of HOLE",
    ]


def test_small_letters_reach_the_x_height_only():
    class Box:
        def __init__(self, left, top, bottom):
            self.box, self.height = np.array([left, top, left + 50.0, bottom]), bottom - top

    standing, tall = guides([Box(0, 100, 200), Box(60, 140, 202), Box(120, 141, 240), Box(180, 100, 201)])
    assert standing.tolist() == [True, True, False, True]
    assert tall.tolist() == [True, False, False, True]


@pytest.mark.parametrize(
    ("text", "first", "fits"),
    [
        ("AB ACA", ["A of AB", "B of AB"], True),
        (["AB", "ACA"], ["A of AB", "B of AB"], True),
        (None, ["letter 1 of the first line", "letter 2 of the first line"], True),
        ("ABC", ["letter 1 of the first line", "letter 2 of the first line"], False),
    ],
)
def test_letters_are_named_by_the_text_that_fits(text, first, fits):
    named, used = names_of([[1, 2], [1, 2, 3]], text)
    assert (named[0][1], used) == (first, fits)
    if fits and text:
        assert named[1] == ("ACA", ["first A of ACA", "C of ACA", "second A of ACA"])


def test_a_text_that_does_not_fit_is_told():
    subject, features = found(reference(), text="HOLES")
    assert "does not fit" in subject.advice[0].text
    assert "letter 2" in features


def test_an_empty_picture_is_told_in_words():
    with pytest.raises(SubjectError, match=r"only 0 letters on test.png"):
        found(np.full((400, 500, 3), 240, np.uint8))


def test_it_keeps_the_rules():
    checks = conforms(LetteringDetector(), reference(), settings={"text": TEXT}, quick=True)
    assert not [f"{check.name}: {check.told}" for check in checks if check.passed is False]


def test_what_it_names_is_found_again_in_drawings():
    table = measured(LetteringDetector(), reference(), settings={"text": TEXT}, quick=True)
    assert not table.failures
    for row in table.rows:
        assert row.found == row.drawn, f"{row.feature}: {row.advice}"
        assert row.error_mm < 1.0, f"{row.feature}: {row.error_mm} mm"
    assert 0.85 < table.gain < 1.15
