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


def test_every_planted_error_is_seen(result):
    demo, _, report, _ = result
    features = {f["name"]: f for f in report["features"]}
    for move in demo.moves:
        feature = features[move["feature"]]
        assert feature["found"], feature
        off = np.asarray(move["off_mm"])
        share = np.dot(feature["off_mm"], off) / np.dot(off, off)
        assert 0.5 < share < 1.5, f"{move['feature']}: {feature['off_mm']} for {move['off_mm']}"


def test_every_planted_error_is_on_the_list(result):
    demo, _, report, _ = result
    for move in demo.moves:
        hits = [c for c in report["corrections"] if move["feature"] in c["explains"]]
        assert hits, f"{move['feature']} is not on the list"
        assert hits[0]["move_mm"] == pytest.approx([-v for v in move["off_mm"]], abs=1.0), "what to do undoes the error"


def test_nothing_else_is_ahead_of_them(result):
    demo, _, report, _ = result
    planted = {move["feature"] for move in demo.moves}
    first = [c for c in report["corrections"] if c["rank"] <= len(planted)]
    assert all(planted & set(c["explains"]) for c in first)


def test_the_sheet_is_read(result):
    _, _, report, _ = result
    assert report["sheet"]["size_mm"] == pytest.approx([210.0, 297.0])
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
        assert picture.height > picture.width > 800
        assert np.asarray(picture.convert("L")).std() > 5, "not an empty sheet"
