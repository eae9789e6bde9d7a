"""The JSON form: the promised keys, plain numbers, no NaN; and the text form."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from featurediff.records import Advice, Block, Correction, Deviation, FeatureResult, LineUp, NotJudged, Report, Sheet
from featurediff.report.data import SCHEMA, number, report_to_dict
from featurediff.report.text import both_sides, folded_names, render


def correction(rank: int = 1, text: str = "Raise the rim 3 mm.", **more) -> Correction:
    values = {
        "rank": rank,
        "stage": "placement",
        "text": text,
        "check": "The rim belongs level with the spout.",
        "at_mm": (np.float64(100.04), np.float32(80.0)),
        "move_mm": (np.float64(0.0), np.float64(-3.0)),
        "turn_deg": None,
        "scale": None,
        "explains": ("rim",),
        "sure": np.float64(0.931),
        "size": np.float64(2.2),
        "arrows": (((100.0, 80.0), (0.0, -3.0)),),
    }
    return Correction(**(values | more))


def report(**more) -> Report:
    values = {
        "subject": "jugs",
        "sides": "picture",
        "sheet": Sheet((210.0, 297.0), "four edges found", np.eye(3), None, np.float64(2.31), 7.9, 0.62, np.full(4, 0.3)),
        "size_mm": 160.0,
        "size_label": "jug height",
        "lineup": LineUp("fewest", np.float64(0.16), np.float64(-7.02), (np.float64(1.0), 2.0), ("rim",), ""),
        "features": (
            FeatureResult("rim", "jug/rim", True, "", (1.0, 2.0), (np.nan, 0.5), np.float64(0.2)),
            FeatureResult("foot", "jug/foot", False, "nothing is drawn there", None, None, None),
        ),
        "deviations": (Deviation("rim", "down", np.float64(3.0), "mm", float("nan"), 1.6),),
        "corrections": (correction(),),
        "later": (correction(2, "Narrow the foot 2 mm.", move_mm=None),),
        "good": ("spout",),
        "not_judged": (NotJudged("foot", "nothing is drawn there"), NotJudged("lid", "nothing is drawn there")),
        "capture": (Advice("warning", "Step to one side of the light."),),
    }
    return Report(**(values | more))


def test_the_promised_keys_are_there():
    data = report_to_dict(report())
    assert data["schema"] == SCHEMA
    assert {"size_mm", "found", "tilt_deg", "px_per_mm", "trust_mm"} <= set(data["sheet"])
    assert {"rule", "scale_mm_per_px", "turn_deg", "move_mm"} <= set(data["lineup"])
    assert {"name", "part", "found", "why", "at_mm", "off_mm", "sigma_mm", "number"} == set(data["features"][0])
    assert {"feature", "measure", "value", "unit", "sigma", "cautious", "tolerance"} == set(data["deviations"][0])
    for each in (*data["corrections"], *data["later"]):
        assert {"rank", "stage", "text", "check", "at_mm", "move_mm", "turn_deg", "scale", "explains", "sure"} <= set(each)
    assert data["not_judged"][0] == {"feature": "foot", "why": "nothing is drawn there"}
    assert data["capture"] == [{"level": "warning", "text": "Step to one side of the light."}]
    assert data["subject"] == "jugs"


def test_what_is_neither_right_nor_wrong_is_said_to_be_undecided():
    spout = FeatureResult("spout", "jug/spout", True, "", (1.0, 2.0), (0.0, 0.0), 0.2)
    unsure = replace(report(), features=(*report().features, spout), good=())
    assert report_to_dict(unsure)["undecided"] == ["spout"]
    assert "Too uncertain in this picture to say: spout." in render(unsure)
    assert report_to_dict(report())["undecided"] == []


def test_both_sides_are_told_in_one():
    names = ("ear on the left", "mouth", "ear on the right", "brow on the left")
    assert both_sides(names) == ["ear on both sides", "mouth", "brow on the left"]


def test_it_is_strict_json_and_survives_the_round():
    data = report().to_dict()
    assert json.loads(json.dumps(data, allow_nan=False)) == data


def test_what_is_not_a_number_becomes_null():
    data = report_to_dict(report())
    assert data["features"][0]["off_mm"] == [None, 0.5]
    assert data["deviations"][0]["sigma"] is None
    assert data["features"][1]["at_mm"] is None


@pytest.mark.parametrize(
    ("value", "out"), [(None, None), (float("nan"), None), (np.inf, None), (np.float32(1.25), 1.25), (-0.001, 0.0)]
)
def test_numbers_are_plain_and_rounded(value, out):
    found = number(value, 2)
    assert found == out
    assert found is None or (type(found) is float and str(found) != "-0.0")


def test_no_path_and_no_array_slips_in():
    text = json.dumps(report_to_dict(report()))
    assert "array" not in text
    assert "/tmp" not in text


# ---------------------------------------------------------------- text


def test_the_text_says_what_the_artist_needs_in_order():
    text = render(report())
    order = [
        "Sheet 210 x 297 mm: four edges found; camera tilted 2.3 degrees.",
        "trusted to 0.6 mm",
        "jug height 160 mm on the paper",
        "7.0 degrees anticlockwise",
        "Left and right are the picture's, as you look at the paper.",
        "Step to one side of the light.",
        " 1. Raise the rim 3 mm.",
        "Check: The rim belongs level with the spout.",
        "Can wait:",
        "Narrow the foot 2 mm.",
        "Good already: spout.",
        "foot, lid: nothing is drawn there",
        "kneaded eraser",
    ]
    flat = " ".join(text.split())
    places = [flat.find(" ".join(each.split())) for each in order]
    assert min(places) >= 0, order[int(np.argmin(places))]
    assert places == sorted(places)
    assert max(len(line) for line in text.splitlines()) <= 92


def test_nothing_to_fix_says_stop():
    text = render(report(corrections=(), later=(), not_judged=()))
    assert "Close enough to paint." in text
    assert "eraser" not in text


def test_it_says_so_when_much_could_not_be_judged():
    whole = report(corrections=(), later=(), not_judged=())
    much = tuple(NotJudged(each.name, "hidden") for each in whole.features[:1])
    assert "Close enough to paint, as far as it could be judged." in render(replace(whole, not_judged=much))
    other = (NotJudged("no feature of this reference", "hidden"),)
    assert "Close enough to paint." in render(replace(whole, not_judged=other))


def test_sitters_sides_are_announced():
    assert "sitter's own left and right" in render(report(sides="sitter"))


def test_without_mm_the_trust_is_a_share():
    sheet = Sheet(None, "no edge found", np.eye(3), None, None, float("nan"), 2.5, np.full(4, 1.2), "%", False)
    text = render(report(sheet=sheet))
    assert "trusted to 2.5 % of the jug height" in text
    assert "mm on the paper" not in text
    assert "tilt could not be removed" in text
    unknown = replace(sheet, trust_mm=float("nan"))
    assert "not known" in render(report(sheet=unknown))
    assert report_to_dict(report(sheet=unknown))["sheet"]["trust_mm"] is None


def test_what_is_good_is_named_by_the_sitters_sides_too():
    names = {"handle on the left": "the jug's right handle"}
    values = {"good": ("handle on the left", "spout on the right", "rim"), "sitter_names": names}
    assert "Good already: the jug's right handle, spout on the right of the paper, rim." in render(
        report(sides="sitter", **values)
    )
    assert "Good already: handle on the left, spout on the right, rim." in render(report(**values))


def test_the_line_ups_remark_is_told():
    lineup = LineUp("eyes", 0.16, 0.0, (0.0, 0.0), (), "By eyes the rest looks wrong.")
    assert "By eyes the rest looks wrong." in render(report(lineup=lineup))
    assert "Lined up by the eyes" in render(report(lineup=lineup))


def test_a_half_done_drawing_is_not_called_close_enough():
    whole = report(corrections=(), later=())
    features = tuple(replace(f, found=False) for f in whole.features)
    text = render(replace(whole, features=features))
    assert "What is drawn so far is right" in text
    assert "Close enough to paint." not in text


# ---------------------------------------------------------------- what is good, block by block


def wordy(good: tuple[str, ...], **more) -> Report:
    """Two words of letters and a line, all found."""
    letters = [*(f"{letter} of BREAD" for letter in "BREAD"), *(f"{letter} of WARM" for letter in "WARM"), "base line"]
    features = tuple(FeatureResult(name, f"sign/{name}", True, "", (1.0, 2.0), (0.0, 0.0), 0.2) for name in letters)
    blocks = (
        Block("sign", "whole", tuple(letters)),
        Block("word BREAD", "group", tuple(letters[:5])),
        Block("word WARM", "group", tuple(letters[5:9])),
    )
    return report(features=features, blocks=blocks, good=good, corrections=(), later=(), not_judged=(), **more)


def test_long_lists_of_what_is_good_are_folded_by_blocks():
    names = tuple(each.name for each in wordy(()).features)
    assert folded_names(wordy(names), names) == "all that was found"
    without = tuple(name for name in names if name != "E of BREAD")
    assert folded_names(wordy(without), without) == "all of the word BREAD but the E of BREAD, all of the word WARM, base line"
    told = " ".join(render(wordy(without)).split())
    assert "Good already: all of the word BREAD but the E of BREAD, all of the word WARM, base line." in told
    assert "Too uncertain in this picture to say: E of BREAD." in told
    short = names[:4]
    assert folded_names(wordy(short), short) == "B of BREAD, R of BREAD, E of BREAD, A of BREAD"


def test_what_was_not_found_of_a_block_is_not_called_good():
    whole = wordy(())
    names = tuple(each.name for each in whole.features if each.name not in ("R of WARM", "base line"))
    features = tuple(replace(each, found=each.name != "R of WARM") for each in whole.features)
    text = folded_names(replace(whole, features=features, good=names), names)
    assert text == "all of the word BREAD, all that was found of the word WARM"


def test_nothing_is_both_good_and_too_uncertain():
    names = tuple(each.name for each in wordy(()).features)
    for count in range(len(names)):
        data = report_to_dict(wordy(names[:count]))
        assert not set(data["good"]) & set(data["undecided"])
        assert set(data["good"]) | set(data["undecided"]) == set(names)
