"""The shipped examples are whole, small and named."""

import re

import numpy as np
import pytest
from PIL import Image

from featurediff.demo import find_demos, get_demo
from featurediff.discovery import find_detectors
from featurediff.errors import CallError
from featurediff.sheet.sizes import parse_sheet

DEMOS = {demo.name: demo for demo in find_demos()}


@pytest.mark.parametrize("subject", sorted({demo.subject for demo in find_demos()} | {"faces"}))
def test_there_is_one_for_each_subject(subject):
    assert get_demo(subject).subject == subject


def test_by_its_own_name_and_misspelt():
    name = next(iter(DEMOS))
    assert get_demo(name).name == name
    with pytest.raises(CallError, match=f"did you mean '{name}'"):
        get_demo(name + "x")


@pytest.mark.parametrize("name", DEMOS)
def test_each_example_is_whole(name):
    demo = DEMOS[name]
    width, height = parse_sheet(demo.sheet)
    assert demo.marks or demo.detector or demo.subject in {found.name for found in find_detectors()}
    assert demo.title and demo.story and len(demo.expected) == len(demo.moves) > 0
    for move in demo.moves:
        assert 0 < move["at_mm"][0] < max(width, height) and 0 < move["at_mm"][1] < max(width, height)
        short = move.get("short_mm", (0, 0))
        seen = np.hypot(*move.get("off_mm", (0, 0))) > 1.0 or abs(move.get("turn_deg", 0)) > 1.0 or abs(short[1] - short[0]) > 1.0
        assert seen, "an error that can be seen"
    for picture in (demo.reference, demo.drawing):
        with Image.open(picture) as image:
            assert min(image.size) >= 1000
            assert not image.getexif(), "no camera data in a shipped picture"


@pytest.mark.parametrize("name", DEMOS)
def test_the_words_say_what_the_numbers_say(name):
    for said, move in zip(DEMOS[name].expected, DEMOS[name].moves, strict=True):
        if "turn_deg" in move:
            assert abs(move["turn_deg"]) == pytest.approx(float(re.search(r"(\d+(?:\.\d+)?) degrees", said)[1]), abs=0.15)
            continue
        if "short_mm" in move:
            assert [float(n) for n in re.findall(r"(\d+) mm", said)] == pytest.approx(move["short_mm"], abs=0.5)
            assert ("too flat" in said) == (move["short_mm"][0] < move["short_mm"][1])
            continue
        number = float(re.search(r"(\d+(?:\.\d+)?) mm", said)[1])
        assert np.hypot(*move["off_mm"]) == pytest.approx(number, abs=0.06)
        if " low" in said:
            assert move["off_mm"][1] > abs(move["off_mm"][0])
        assert not (" low" in said and " high" in said)


@pytest.mark.parametrize("name", DEMOS)
def test_each_example_stays_small(name):
    assert sum(p.stat().st_size for p in DEMOS[name].reference.parent.iterdir()) < 1_500_000
