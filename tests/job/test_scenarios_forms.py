"""What the list says of an invented still life whose mistakes are known, at the level of located outlines.

Scenario 13 and the sentences are TRADE's examples (common practice, no source); amounts are mm and degrees on the paper.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from forms_kit import PX, SHEET, draw, table

from featurediff.bends import bump
from featurediff.corrections.builder import Builder
from featurediff.corrections.forms import add_forms
from featurediff.deviations import compare, frame_of
from featurediff.geometry import similarity_matrix
from featurediff.records import LineUp, Located
from featurediff.settings import Settings
from featurediff.stations import stations

SEEDS = range(4)


def test_a_perfect_copy_has_nothing_to_change():
    for seed in range(12):
        assert draw(seed=seed, turn=3.0 * (seed % 3 - 1)).texts == []


# ---------------------------------------------------------------- changes


def of(word, change):
    """A change of the features of whose part on the parts tree ``word`` is the beginning."""
    return lambda feature, points: change(feature, points) if feature.part.startswith(word) else points


def on_paper(x, y):
    """mm on an unturned sheet of a point in px of the table."""
    return (np.array([x, y]) - [630.0, 500.0]) / PX + [148.0, 105.0]


def leaning(name, foot, degrees):
    slope = math.tan(math.radians(degrees))
    return of(f"table/{name}", lambda f, p: p + np.outer((on_paper(*foot)[1] - p[:, 1]).clip(min=-1), [slope, 0]))


def bulging(name, side, mm):
    def change(feature, points):
        y = points[:, 1]
        return points + np.outer(bump(y, y.min(), (y.min() + y.max()) / 2, y.max()), [mm, 0])

    return of(f"table/{name}/body/{side} side", change)


def lower(name, level, mm):
    """A level (px) lower by ``mm`` on both sides."""

    def change(feature, points):
        y = points[:, 1]
        return points + np.outer(bump(y, y.min(), on_paper(0, level)[1], y.max()), [0, mm]) * ("side" in feature.part)

    return of(f"table/{name}/body", change)


def moved(name, x, y=0.0):
    return of(f"table/{name}", lambda f, p: p + [x, y])


def rim(name, change):
    def changed(feature, points):
        middle = points.mean(0)
        return middle + change(points - middle)

    return of(f"table/{name}/rim", changed)


def amount(text, unit):
    return float(re.search(rf"(\d+(?:\.\d+)?) {unit}", text)[1])


# ---------------------------------------------------------------- forms


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("degrees", [3.0, -3.0])
def test_a_leaning_axis_is_one_item(seed, degrees):
    [text] = draw(leaning("bottle", (200, 880), degrees), seed=seed).texts
    way = "left" if degrees > 0 else "right"
    assert re.match(rf"Bring the axis of the bottle back \d.* degrees to plumb: its top \d+ mm {way}", text)
    assert amount(text, "degrees") == pytest.approx(3.0, abs=0.5)
    assert amount(text, "mm") == pytest.approx(math.tan(math.radians(3)) * 152, abs=1.5)


def test_an_axis_leans_with_all_that_belongs_to_it():
    result = draw(leaning("jug", (480, 880), 3.0), seed=1)
    assert len(result.texts) == 1 and "axis of the jug" in result.texts[0]
    assert {"rim of the jug", "left side of the jug", "right side of the jug"} <= set(result.shown[0].explains)
    lean = next(each for each in result.deviations if each.feature == "jug" and each.measure == "lean")
    assert lean.value == pytest.approx(3.0, abs=0.6) and abs(lean.value - 3.0) < 3 * lean.sigma


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("side", "mm", "way"), [("left", -2.5, "in"), ("left", 2.5, "out"), ("right", 2.5, "in")])
def test_one_side_out_is_told_of_that_side(seed, side, mm, way):
    [text] = draw(bulging("bottle", side, mm), seed=seed).texts
    assert text.startswith(f"Move the {side} side of the bottle {way} ") and "the sides are uneven" in text
    assert amount(text, "mm") == pytest.approx(2.5, abs=0.5)


def test_every_item_about_a_form_has_its_check_and_its_arrows():
    [lean] = draw(leaning("bottle", (200, 880), 3.0), seed=1).shown
    assert lean.check == "The middle of the top of the bottle stands plumb over the middle of its foot."
    [((x, y), (dx, dy))] = lean.arrows
    assert (dx, dy) == pytest.approx((-8, 0), abs=1.5)
    assert (x, y) == pytest.approx(on_paper(200, 120) + [8, 0], abs=1.5)
    [bulge] = draw(bulging("bottle", "left", -2.5), seed=1).shown
    left, right = (table().feature(f"{side} side of the bottle").points[30, 0] for side in ("left", "right"))
    assert bulge.check == f"Half way up, the bottle measures {(right - left) / PX:.0f} mm from side to side."
    [(_, (dx, _))] = bulge.arrows
    assert dx == pytest.approx(2.5, abs=0.5)
    [level] = draw(lower("bottle", 500, 3.0), seed=1).shown
    assert level.check.startswith("Once right, it lies 7") and len(level.arrows) == 2


def test_both_sides_out_is_a_width():
    [text] = draw(bulging("jug", "left", -2.5), bulging("jug", "right", 2.5), seed=2).texts
    assert text.startswith("Narrow the jug ") and "in its middle: bring each side in" in text
    assert amount(text, "mm") == pytest.approx(5, abs=1)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_shoulder_too_low_is_started_higher(seed):
    [text] = draw(lower("bottle", 500, 3.0), seed=seed).texts
    assert re.match(r"Start the shoulder of the bottle \S+ mm higher", text)
    assert amount(text, "mm") == pytest.approx(3.0, abs=0.5)


def test_a_base_that_floats_is_lowered():
    up = of("table/jug/body/base", lambda f, p: p - [0, 3.0])
    [text] = draw(up, seed=1).texts
    assert text.startswith("Lower the base of the jug ") and amount(text, "mm") == pytest.approx(3.0, abs=0.5)


# ---------------------------------------------------------------- ellipses


@pytest.mark.parametrize("seed", SEEDS)
def test_scenario_13_a_rim_too_flat_is_opened(seed):
    """TRADE.md: rim ratio 0.34 in the picture, 0.28 drawn; here 42 mm wide, so 14.4 mm to 11.8 mm."""
    [text] = draw(rim("jug", lambda arm: arm * [1, 0.28 / 0.34]), seed=seed).texts
    drawn, true = map(float, re.match(r"Open the rim of the jug: short axis (\S+) mm to (\S+) mm", text).groups())
    assert drawn == pytest.approx(11.8, abs=0.75) and true == pytest.approx(14.4, abs=0.75)


@pytest.mark.parametrize("seed", SEEDS)
def test_pointed_ends_are_rounded(seed):
    def point(arm):
        t = np.clip(np.abs(arm[:, 0]) / np.abs(arm[:, 0]).max(), 0, 1)
        return arm * np.column_stack([np.ones_like(t), 1 + 0.8 * (np.sqrt(1 - t**2) - 1)])

    [text] = draw(rim("bowl", point), seed=seed).texts
    assert text.startswith("Round the ends of the rim of the bowl; they come to points")


@pytest.mark.parametrize("seed", SEEDS)
def test_a_rim_that_tips_is_levelled(seed):
    turn = np.radians(-4.0)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    [text] = draw(rim("bowl", lambda arm: arm @ matrix), seed=seed).texts
    assert re.match(r"Level the rim of the bowl: it tips \d degrees to the left", text)
    assert amount(text, "degrees") == pytest.approx(4, abs=1)


def test_a_rim_beside_its_axis_is_centred():
    [text] = draw(of("table/jug/rim", lambda f, p: p + [2.5, 0]), seed=3).texts
    assert text.startswith("Centre the rim of the jug on the axis: move it 2.5 mm left")


# ---------------------------------------------------------------- things


def test_a_thing_moved_level_is_told_by_the_gap_beside_it():
    [text] = draw(moved("pear", 3.0), seed=1).texts
    assert text.startswith("Narrow the gap between the pear and the bowl by 3 mm (move the pear left)")
    [text] = draw(moved("pear", -3.0), seed=1).texts
    assert text.startswith("Widen the gap between the pear and the bowl by 3 mm (move the pear right)")


def test_a_thing_moved_down_is_told_by_itself():
    [text] = draw(moved("pear", 0.0, 4.0), seed=1).texts
    assert text.startswith("Raise the pear 4 mm")


def test_a_thing_scaled_is_one_item():
    def larger(feature, points):
        return on_paper(820, 880) + 1.08 * (points - on_paper(820, 880))

    texts = draw(of("table/bowl", larger), seed=2).texts
    assert len(texts) == 1 and re.match(r"Reduce the bowl [78] %", texts[0])


def test_every_form_of_the_kit_has_its_features():
    subject = table()
    names = {feature.name for feature in subject.features}
    assert all(set(form.left + form.right) <= names for form in subject.forms)


# ---------------------------------------------------------------- what is tried


def built(keep=lambda feature: True):
    """The hypotheses about the kit's table of which these features were found."""
    subject = table()
    lineup = LineUp("fewest", 0.2, 0.0, (0.0, 0.0))
    matrix = similarity_matrix(0.2, 0.0, (0.0, 0.0))
    located = tuple(
        Located(f.name, True, "", f.points @ matrix[:2, :2].T, np.full(len(f.points), 0.2), np.eye(2) * 0.01, 0.8)
        for f in subject.features
        if keep(f)
    )
    frame = frame_of(subject, lineup, Settings())
    builder = Builder(compare(subject, located, lineup, SHEET, Settings()), frame)
    add_forms(builder, subject)
    return builder


def test_every_form_can_lean_and_a_lone_base_can_not():
    assert {h.label for h in built().hypotheses if h.kind == "lean"} == {"bottle", "jug", "bowl"}
    assert not [h for h in built(lambda f: "base" in f.part or "pear" in f.part).hypotheses if h.kind == "lean"]


def test_levels_of_both_sides_go_together():
    [both] = [h for h in built().hypotheses if h.kind == "level" and not h.own and h.label == "bottle"]
    assert len(both.members) == 2 and both.extra["level"] == "shoulder"
    lone = built(lambda f: f.name != "left side of the bottle")
    assert not [h for h in lone.hypotheses if h.kind == "level" and not h.own and h.label == "bottle"]
    assert [h for h in lone.hypotheses if h.kind == "level" and h.own and "bottle" in h.label]


def test_a_small_bulge_is_no_item():
    def change(feature, points):
        if feature.name != "left side of the jug":
            return points
        y = points[:, 1]
        return points + np.outer(bump(y, y.min(), (y.min() + y.max()) / 2, y.max()), [-1.0, 0])

    assert draw(change, seed=5).texts == []


def test_a_form_that_leans_in_the_picture_is_turned_not_plumbed():
    # The whole table turned on the paper by 5 degrees: the bottle still leans only as it does in the picture.
    assert draw(seed=2, turn=5.0).texts == []


def test_sides_alone_have_no_height():
    lone = built(lambda f: "bottle/base" not in f.part)
    own = {k for k, each in enumerate(lone.compared) if each.feature.part.startswith("table/bottle/")}
    assert not [
        h for h in lone.hypotheses if h.kind == "height" and h.side != "top" and set(h.members) <= own and len(h.members) > 1
    ]


def test_a_general_outline_is_moved_out_where_it_is_too_small():
    """No ellipse, no axis: the pear is known as two stretches of an outline."""

    def flat(feature, points):
        if feature.name != "lower part of the outline of the pear":
            return points
        middle = points.mean(0)
        share = np.exp(-(((np.arange(len(points)) - len(points) / 2) / 2.0) ** 2))
        away = (points - middle) / np.maximum(np.hypot(*(points - middle).T), 1e-9)[:, None]
        return points - 6.0 * share[:, None] * away

    texts = draw(flat, seed=2).texts
    assert any(re.match(r"Move the lower part of the outline of the pear out [2-4](\.5)? mm in its", text) for text in texts), (
        texts
    )
    texts = draw(flat, seed=2, numbered=True).texts
    [told] = [text for text in texts if text.startswith("Move the lower part of the outline of the pear")]
    number = [each.name for each in table().features].index("lower part of the outline of the pear") + 1
    first, last = re.search(rf"\({number}\) out \S+ mm between {number}([a-i]) and {number}([a-i]) on the picture", told).groups()
    marks, count = stations(replace(table(), numbered=True), number), len(table().features[number - 1].points)
    # The planted dent is in the middle, a few points wide.
    assert marks[f"{number}{first}"] < count / 2 < marks[f"{number}{last}"]
    assert marks[f"{number}{last}"] - marks[f"{number}{first}"] < count - 1
