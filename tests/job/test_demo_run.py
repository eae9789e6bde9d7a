"""The shipped examples give the answer they should, as a user runs them."""

import contextlib
import io
import json
import re

import numpy as np
import pytest
from PIL import Image

from featurediff import cli
from featurediff.demo import find_demos
from featurediff.sheet.sizes import parse_sheet

DEMOS = {demo.name: demo for demo in find_demos()}


@pytest.fixture(scope="module", params=DEMOS)
def result(request, tmp_path_factory):
    demo = DEMOS[request.param]
    out = tmp_path_factory.mktemp(demo.name)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert cli.main(["demo", demo.name, "--out", str(out)]) == 0
    report = json.loads((out / "report.json").read_text(encoding="ascii"))
    return demo, printed.getvalue(), report, out / "report.png"


def planted(demo):
    return {name for move in demo.moves for name in move["features"]}


def moved(demo):
    """The planted moves, each of one feature."""
    return [move for move in demo.moves if "off_mm" in move and len(move["features"]) == 1]


def test_every_planted_move_is_measured(result):
    demo, _, report, _ = result
    features = {f["name"]: f for f in report["features"]}
    for move in moved(demo):
        feature = features[move["features"][0]]
        assert feature["found"], feature
        off = np.asarray(move["off_mm"])
        share = np.dot(feature["off_mm"], off) / np.dot(off, off)
        assert 0.5 < share < 1.5, f"{feature['name']}: {feature['off_mm']} for {move['off_mm']}"


def test_every_planted_error_is_on_the_list_and_what_to_do_undoes_it(result):
    demo, _, report, _ = result
    for move in demo.moves:
        hits = [c for c in report["corrections"] if set(move["features"]) & set(c["explains"])]
        assert hits, f"{move['features']} is not on the list"
        if "turn_deg" in move:
            turns = [c["turn_deg"] for c in hits if c["turn_deg"] is not None]
            assert turns and turns[0] == pytest.approx(-move["turn_deg"], abs=0.5)
        elif "short_mm" in move:
            told = re.search(r"^Open .* short axis (\d+) mm to (\d+) mm", hits[0]["text"])
            assert told and [float(n) for n in told.groups()] == pytest.approx(move["short_mm"], abs=1.0)
        else:
            told = [c["move_mm"] for c in hits if c["move_mm"] is not None]
            assert any(one == pytest.approx([-v for v in move["off_mm"]], abs=1.0) for one in told), told


def test_nothing_else_is_ahead_of_them(result):
    demo, _, report, _ = result
    first = [c for c in report["corrections"] if c["rank"] <= len(demo.moves)]
    assert all(planted(demo) & set(c["explains"]) for c in first)


def test_the_sheet_is_read(result):
    demo, _, report, _ = result
    assert report["sheet"]["size_mm"] == pytest.approx(parse_sheet(demo.sheet), abs=0.1) or report["sheet"]["size_mm"] == (
        pytest.approx(parse_sheet(demo.sheet)[::-1], abs=0.1)
    )
    assert report["sheet"]["tilt_deg"] == pytest.approx(2.0, abs=1.0)
    assert 0 < report["sheet"]["trust_mm"] < 1.0


def test_it_prints_the_list_and_the_answer(result):
    demo, printed, report, _ = result
    assert printed.startswith(demo.title)
    for correction in report["corrections"]:
        assert re.sub(r"\s+", " ", correction["text"])[:40] in re.sub(r"\s+", " ", printed)
    for line in demo.expected:
        assert line in printed


def test_it_draws_the_result(result):
    _, _, _, path = result
    with Image.open(path) as picture:
        assert min(picture.size) > 800
        assert np.asarray(picture.convert("L")).std() > 5, "not an empty sheet"
