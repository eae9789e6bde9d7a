"""What many drawings have in common: measures of a report, habits, a class, their words and charts."""

from __future__ import annotations

import copy
import io
import json
import random

import numpy as np
import pytest
from habits_kit import HOLES, SUBJECT, piece, report
from PIL import Image

from featurediff import cli
from featurediff.blocks import blocks_of
from featurediff.errors import PieceError
from featurediff.habits import words
from featurediff.habits.chart import habits_chart, shared_chart
from featurediff.habits.reading import drawn
from featurediff.habits.tendencies import ENOUGH, habits, shared
from featurediff.records import Feature, Meeting, Subject


def high(amount):
    return dict.fromkeys(HOLES, (0.0, -amount))


def several(count, off, seed=0, **more):
    rng = np.random.default_rng([seed, 77])
    return [drawn(report(off(rng), seed=1000 * seed + k, **more), f"piece {k}") for k in range(count)]


def phrases(found):
    return [words.phrase(each.label, each.measure, each.mean > 0) for each in found.told]


# ---------------------------------------------------------------- measures of one drawing


def test_blocks_name_what_is_spoken_of_together():
    by_label = {block.label: block for block in blocks_of(SUBJECT)}
    assert by_label["mask"].kind == "whole"
    assert by_label["holes"].names == HOLES
    assert by_label["holes"].plural and not by_label["rim"].plural
    assert "holes and slits" not in by_label, "a pair of the same features is named once"
    assert by_label["spout and its foot"].kind == "group"


def test_lines_and_ellipses_are_blocks_too():
    def line(name, a, b):
        return Feature(name, f"yard/{name}", "segment", np.array([a, b], float), False, ("across", "down", "tilt"))

    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    rim = np.column_stack([60 * np.cos(t), 20 * np.sin(t)])
    features = (
        line("post", (0, 0), (3, 100)),
        line("beam", (0, 50), (200, 52)),
        line("kerb", (0, 90), (200, 91)),
        line("brace", (0, 0), (100, 100)),
        Feature("rim of the bucket", "yard/rim", "ellipse", rim, True, ("across", "down", "openness"), slides=True),
    )
    aimed = Meeting("receding lines", ("kerb",), np.array([900.0, 100.0]))
    found = {b.label: b.names for b in blocks_of(Subject(features, 100.0, "height", rim, meetings=(aimed,)))}
    assert found["verticals"] == ("post",) and found["level lines"] == ("beam",)
    assert found["ellipses"] == ("rim of the bucket",) == found["edges"]
    assert len(found["whole drawing"]) == 5


def test_a_pair_is_told_by_place_distance_and_slant():
    found = drawn(report({HOLES[0]: (-1.0, 2.0), HOLES[1]: (3.0, 3.0)}), "x").measures
    assert found["holes", "across"].value == pytest.approx(1.0, abs=0.02)
    assert found["holes", "down"].value == pytest.approx(2.5, abs=0.02)
    assert found["holes", "spacing"].value == pytest.approx(4.0, abs=0.03)
    assert found["holes", "slant"].value == pytest.approx(1.0, abs=0.03)
    assert found["holes", "down"].unit == "%"


def test_lengths_are_percent_of_the_drawn_size():
    small, large = (drawn(report(high(2.0), size=size), "x") for size in (80.0, 320.0))
    assert small.measures["holes", "down"].value == pytest.approx(large.measures["holes", "down"].value, abs=0.02)
    assert small.measures["holes", "down"].limit == pytest.approx(4 * large.measures["holes", "down"].limit, rel=0.01)
    assert (small.size, large.size) == (80.0, 320.0)


def test_a_block_of_which_one_part_is_off_does_not_agree():
    found = drawn(report({HOLES[0]: (0.0, -4.0)}), "x").measures
    assert found["holes", "down"].agree == 0.5
    assert found["holes", "slant"].value == pytest.approx(4.0, abs=0.03)


@pytest.mark.parametrize(
    ("field", "measure", "value"),
    [
        (lambda p: np.array([-0.05 * p[0] / 10, 0.0]), "aspect", -5.0),
        (lambda p: np.array([0.0, 0.05 * p[1] / 10]), "aspect", -4.8),
        (lambda p: np.array([np.tan(np.radians(3)) * p[1] / 10, 0.0]), "lean", -3.0),
        (lambda p: np.array([0.0, np.tan(np.radians(2)) * p[0] / 10]), "fall", 2.0),
    ],
)
def test_the_whole_is_told_and_taken_off_its_parts(field, measure, value):
    found = drawn(report(field=field), "x").measures
    assert found["mask", measure].value == pytest.approx(value, abs=0.1)
    assert found["mask", measure].agree == 1.0
    parts = [each for key, each in found.items() if key[0] != "mask"]
    assert max(abs(each.value) / each.limit for each in parts) < 0.3


def test_the_turn_of_the_whole_counts_as_its_lean():
    assert drawn(report(turn=-2.0), "x").measures["mask", "lean"].value == pytest.approx(-2.0, abs=0.05)
    unsquared = report(turn=-2.0)
    unsquared["sheet"]["squared"] = False
    assert ("mask", "lean") not in drawn(unsquared, "x").measures


def test_single_parts_off_do_not_make_a_whole():
    found = drawn(report(dict.fromkeys((*HOLES, "slit on the left", "slit on the right"), (0.0, -3.0))), "x").measures
    for measure in ("aspect", "lean", "fall", "grows"):
        each = found["mask", measure]
        assert abs(each.value) <= each.limit or each.agree < 0.75


def test_what_is_kept_is_left_out():
    found = drawn(report(high(3.0)), "x", {(name, "down") for name in HOLES}).measures
    assert ("holes", "down") not in found and ("holes", "across") in found


def test_a_report_without_blocks_tells_single_features():
    old = report(high(3.0))
    del old["blocks"]
    found = drawn(old, "x").measures
    assert found["hole on both sides", "down"].value == pytest.approx(-3.0, abs=0.02)
    assert all(key[0] != "mask" for key in found)


def test_a_damaged_report_is_refused_and_never_a_fault():
    rng = random.Random(5)
    strange = [None, "x", -1, 0, 1e300, [], {}, True, float("inf"), [1, 2, 3], "\x00"]
    for _ in range(300):
        damaged = copy.deepcopy(report())
        node = damaged
        while True:
            key = rng.choice(list(node)) if isinstance(node, dict) else rng.randrange(len(node))
            if not isinstance(node[key], (dict, list)) or not node[key] or rng.random() < 0.3:
                node[key] = rng.choice(strange)
                break
            node = node[key]
        try:
            found = drawn(damaged, "my piece")
        except PieceError as error:
            assert "my piece" in str(error)
            continue
        assert all(np.isfinite([each.value, each.sigma, each.limit]).all() for each in found.measures.values())


# ---------------------------------------------------------------- habits


def test_a_habit_is_told_with_its_figures():
    (found,) = habits(several(8, lambda rng: high(2.0 + 0.5 * rng.normal())))
    assert phrases(found) == ["the holes high"]
    (habit,) = found.told
    assert habit.drawings == 8 and habit.beyond == 8
    assert habit.mean == pytest.approx(-2.0, abs=0.45)
    assert habit.p_all <= 0.05 < 1 - habit.p_all
    text = words.told((found,))
    assert "You draw the holes high: by" in text and "over 8 drawings" in text and "By chance" in text
    assert "masks: 8 drawings, each before any correction." in text


def test_it_speaks_from_four_drawings_on():
    for count in range(1, ENOUGH):
        (found,) = habits(several(count, lambda rng: high(3.0)))
        assert not found.enough and not found.told
        assert "Habits are told from 4 drawings on" in words.told((found,))
    (found,) = habits(several(ENOUGH, lambda rng: high(3.0)))
    assert found.enough and phrases(found) == ["the holes high"]


def test_subjects_are_kept_apart():
    masks = several(5, lambda rng: high(3.0))
    others = [type(each)("buckets", each.size_label, each.size, each.measures) for each in masks[:3]]
    buckets, found = habits([*masks, *others])
    assert (buckets.subject, buckets.drawings, buckets.enough) == ("buckets", 3, False)
    assert (found.subject, found.drawings) == ("masks", 5)


def test_sheets_of_unlike_sizes_are_pooled():
    drawings = [drawn(report(high(2.0), seed=k, size=size), "x") for k, size in enumerate((90, 120, 160, 220, 300, 90))]
    (found,) = habits(drawings)
    assert phrases(found) == ["the holes high"]
    assert found.told[0].mean == pytest.approx(-2.0, abs=0.2)


def test_no_habit_is_made_of_care_that_goes_both_ways():
    (found,) = habits(
        several(10, lambda rng: {name: tuple(rng.normal(0, 2.0, 2)) for name in (*HOLES, "spout", "knot", "tassel")})
    )
    assert found.told == ()
    assert "No habit stands out against chance" in words.told((found,))


def test_a_small_tendency_is_not_worth_a_word():
    (found,) = habits(several(12, lambda rng: high(0.4), noise=0.05))
    assert found.told == ()


def test_the_data_holds_all_that_was_looked_at():
    found = habits(several(6, lambda rng: high(2.5)))
    data = json.loads(json.dumps(words.habits_data(found), allow_nan=False))
    (subject,) = data["subjects"]
    assert [each["words"] for each in subject["habits"]] == ["the holes high"]
    assert len(subject["measures"]) > 20
    assert all(each["drawings"] >= ENOUGH and 0 <= each["p"] <= each["p_corrected"] <= 1 for each in subject["measures"])


# ---------------------------------------------------------------- a class


def sheets(count, off_of):
    return {k + 1: drawn(report(off_of(k), seed=k), f"sheet {k + 1}") for k in range(count)}


def test_what_eight_of_twelve_share():
    found = shared(sheets(12, lambda k: high(3.0) if k < 8 else None))
    assert [words.shared_sentence(each) for each in found] == ["8 of 12 drew the holes high."]
    assert [number for number, _, counts in found[0].values if counts] == list(range(1, 9))


def test_two_ways_of_one_error_are_told_apart():
    found = shared(sheets(10, lambda k: high(3.0) if k < 4 else high(-3.0) if k < 8 else None))
    assert {words.shared_sentence(each) for each in found} == {"4 of 10 drew the holes high.", "4 of 10 drew the holes low."}


def test_what_two_share_is_not_told():
    assert shared(sheets(12, lambda k: high(3.0) if k < 2 else None)) == ()


def test_of_a_thing_and_its_part_the_part_is_told_when_it_is_clearly_more():
    def off(k):
        if k < 3:
            return {"spout": (0.0, 3.0), "foot of the spout": (0.0, 3.0)}
        return {"spout": (0.0, 3.0)} if k < 9 else None

    assert [words.shared_sentence(each) for each in shared(sheets(12, off))] == ["9 of 12 drew the spout low."]


# ---------------------------------------------------------------- pictures and the command


def test_charts_are_pictures_narrow_enough_for_a_phone():
    (found,) = habits(several(6, lambda rng: high(2.5)))
    for data in (
        habits_chart([found]),
        habits_chart(habits(several(2, lambda rng: {}))),
        shared_chart("masks: 12 sheets", shared(sheets(12, lambda k: high(3.0))), "nothing"),
        shared_chart("masks: 1 sheet", (), "They share no error."),
    ):
        with Image.open(io.BytesIO(data)) as picture:
            picture.load()
            assert picture.format == "PNG" and picture.width == 1280
            assert not picture.info or set(picture.info) <= {"dpi"}
            values = np.asarray(picture.convert("L"))
            assert values.min() < 60 and values.max() == 255


def test_dots_do_not_hide_each_other():
    from featurediff.habits import chart

    row = chart.Row("x", "a", "b", tuple((0.001 * k, True, str(k)) for k in range(9)), 1.0, "%", 0.0, None)
    placed = [(x, -level * chart._step(row)) for x, _, _, level in chart._stacked(row)]
    apart = [np.hypot(a[0] - b[0], a[1] - b[1]) for i, a in enumerate(placed) for b in placed[:i]]
    assert min(apart) >= chart._step(row) - 1e-6


def test_the_command_on_pieces(tmp_path, capsys):
    for k in range(5):
        piece(tmp_path / "pieces" / f"p{k}", report(high(3.0), seed=k))
    (tmp_path / "pieces" / "broken").mkdir()
    (tmp_path / "pieces" / "broken" / "piece.json").write_text("{")
    assert cli.main(["habits", str(tmp_path / "pieces"), str(tmp_path / "pieces" / "p0"), "--out", str(tmp_path / "out")]) == 0
    out, err = capsys.readouterr()
    assert "You draw the holes high" in out and "over 5 drawings" in out
    assert err.startswith("Passed over: 'broken': ")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["habits.json", "habits.png"]
    assert cli.main(["habits", str(tmp_path / "pieces" / "p1"), "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["subjects"][0]["enough"] is False


def test_the_command_says_what_is_wrong(tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x")
    for folder, said in (("empty", "is no piece and holds none"), ("nowhere", "There is no folder"), ("file", "is a file")):
        assert cli.main(["habits", str(tmp_path / folder)]) == 2
        assert said in capsys.readouterr().err
