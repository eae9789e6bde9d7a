"""Marks along outlines known by numbers: where they lie, which two of them enclose a fault, and that words and picture agree."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import ImageDraw

from featurediff.corrections import words
from featurediff.records import Feature, Located, Subject
from featurediff.report import numbers
from featurediff.report.page_tags import station_tags
from featurediff.stations import LOST, between, stations, unseen_parts


def half_round(name: str = "lower part of the outline of the pear") -> Feature:
    turn = np.radians(np.linspace(0, 180, 41))
    points = np.column_stack([300 - 100 * np.cos(turn), 200 + 100 * np.sin(turn)])
    return Feature(name, "table/pear/outline/lower", "curve", points, measures=("across", "down", "shape"))


def subject(*features: Feature) -> Subject:
    return Subject(features, 800.0, "height of the group", np.vstack([each.points for each in features]), numbered=True)


def test_marks_run_evenly_along_the_outline():
    """Half a circle of radius 100 px is 314 px long: five spaces of about 0.08 x 800 = 64 px."""
    marks = stations(subject(half_round("edge"), half_round()), 2)
    assert list(marks) == ["2a", "2b", "2c", "2d", "2e", "2f"]
    assert list(marks.values()) == [0, 8, 16, 24, 32, 40]


def test_only_numbered_stretches_of_outlines_have_marks():
    assert stations(subject(half_round("left side of the jug")), 1) == {}
    assert stations(replace(subject(half_round()), numbered=False), 1) == {}


def test_a_closed_outline_has_no_mark_twice():
    turn = np.radians(np.arange(0, 360, 9))
    ring = replace(half_round(), closed=True, points=100 * np.column_stack([np.cos(turn), np.sin(turn)]))
    marks = stations(subject(ring), 1)
    assert list(marks.values()) == [0, 5, 10, 15, 20, 25, 30, 35]


MARKS = {"1a": 0, "1b": 10, "1c": 20, "1d": 30, "1e": 40}


@pytest.mark.parametrize(
    ("start", "stop", "told"),
    [(12, 28, ("1b", "1d")), (12, 18, ("1b", "1c")), (0, 5, ("1a", "1b")), (10, 20, ("1b", "1c")), (20, 20, ("1b", "1d"))],
)
def test_a_departure_lies_between_the_marks_that_enclose_it(start, stop, told):
    departures = np.zeros(41)
    departures[start : stop + 1] = -2.0
    assert between(MARKS, departures, (start + stop) // 2, False) == told


def test_what_goes_on_beyond_the_start_of_a_loop_is_enclosed():
    departures = np.zeros(50)
    departures[[48, 49, 0, 1, 2, 3]] = 1.0
    assert between(MARKS, departures, 0, True) == ("1e", "1b")
    assert between(MARKS, np.ones(50), 7, True) is None


def test_stretches_that_were_not_seen_are_told_by_their_marks():
    pear = half_round()
    sigma = np.full(41, 0.2)
    place = Located(pear.name, True, "", pear.points / 5, sigma, np.eye(2), 0.9)
    assert unseen_parts(subject(pear), 0, place) == []
    sigma[18:23] = np.inf
    assert unseen_parts(subject(pear), 0, place) == [f"between 1c and 1d on the picture: {LOST}"]
    assert unseen_parts(subject(pear), 0, replace(place, partly="short dents in it"))[1:] == ["short dents in it"]
    assert unseen_parts(replace(subject(pear), numbered=False), 0, place) == [f"in its lower part: {LOST}"]
    assert unseen_parts(subject(pear), 0, Located(pear.name, False, "hidden")) == []


def test_another_fault_further_on_is_not_enclosed():
    departures = np.zeros(41)
    departures[12:16], departures[33:38] = 3.0, 2.9
    assert between(MARKS, departures, 13, False) == ("1b", "1c")


def test_the_sentence_names_the_marks():
    pear = half_round()
    departures = np.where(np.abs(np.arange(41) - 20) < 7, -2.0, 0.0)
    each = SimpleNamespace(feature=pear, shape=SimpleNamespace(departures=departures), reference=pear.points)
    item = SimpleNamespace(index=0, place=20, amount=-2.0)
    speech = words.Speech(subject(pear), None, "picture", "mm")
    said = words._say_shape(item, (each,), speech)
    assert said == "move the lower part of the outline of the pear (1) out 2 mm between 1b and 1e on the picture"


def test_both_pictures_carry_the_marks(monkeypatch):
    written, text = [], ImageDraw.ImageDraw.text
    monkeypatch.setattr(
        ImageDraw.ImageDraw, "text", lambda self, xy, said, **more: (written.append(said), text(self, xy, said, **more))[1]
    )
    one = subject(half_round())
    numbers.numbered(one, np.full((400, 600, 3), 200, np.uint8))
    assert written == ["1a", "1b", "1c", "1d", "1e", "1f", "1"]
    tags = station_tags(one, {1: (one.features[0], one.features[0].points / 5)}, 3.0)
    assert [each.text for each in tags] == written[:-1]
    assert all(np.hypot(*(each.at - one.features[0].points / 5).T).min() < 3.1 for each in tags)
