"""Corrections of single features: the right verb, side, end and amount for each way in which a thing can be wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from featurediff.corrections import correct, rank, refine_lineup
from featurediff.geometry import apply, similarity_matrix
from featurediff.records import Feature, Gap, Group, LineUp, Located, Pair, Sheet, Subject
from featurediff.settings import CorrectionSettings, Settings

SCALE = 0.16
SHEET = Sheet((210.0, 297.0), "scan", np.eye(3), None, 0.0, 5.0, 0.4, np.full(4, 0.15))


def ring(centre, half, count=24) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.column_stack([centre[0] + half[0] * np.cos(t), centre[1] + half[1] * np.sin(t)])


def line(a, b, count=12) -> np.ndarray:
    return np.linspace(a, b, count).astype(float)


def still_life(*more: Feature, groups=(), gaps=(), pairs=()) -> Subject:
    """A table with a dozen pebbles that are right, so that one wrong thing stands out, and what is added to it."""
    rng = np.random.default_rng(5)
    pebbles = [
        Feature(f"pebble {k}", f"table/pebbles/{k}", "curve", ring((x, y), (25, 18)), True, ("across", "down"), "B", 0.5)
        for k, (x, y) in enumerate(rng.uniform(100, 900, (12, 2)), 1)
    ]
    region = np.array([[0, 0], [1000, 0], [1000, 1000], [0, 1000]], float)
    return Subject((*pebbles, *more), 1000.0, "height of the group", region, 0.0, groups, gaps, pairs)


def told(subject: Subject, change, *, settings: Settings | None = None, noise=0.1, seed=0, turn=0.0):
    """(shown, later, good) when ``change(name, points)`` says where each feature, in mm, is drawn."""
    rng = np.random.default_rng(seed)
    lineup = LineUp("fewest", SCALE, turn, (30.0, 40.0))
    matrix = similarity_matrix(SCALE, turn, (30.0, 40.0))
    located = []
    for feature in subject.features:
        drawn = change(feature.name, apply(matrix, feature.points))
        drawn = drawn + rng.normal(0, noise, 2) + rng.normal(0, 0.3 * noise, drawn.shape)
        located.append(Located(feature.name, True, "", drawn, np.full(len(drawn), 2 * noise), np.eye(2) * (2 * noise) ** 2, 0.9))
    return correct(subject, tuple(located), lineup, SHEET, settings or Settings())


def only(name, change):
    return lambda each, points: change(points) if each == name else points


def stretch(points, factors, fixed):
    return (points - fixed) * factors + fixed


def turn_about(points, centre, degrees):
    return apply(similarity_matrix(1.0, degrees, (0, 0)), points - centre) + centre


def single(result):
    shown, later, _ = result
    assert len(shown) + len(later) == 1, [each.text for each in shown + later]
    return (shown + later)[0]


BOWL = Feature(
    "bowl", "table/bowl", "curve", ring((500, 500), (150, 90), 40), True, ("across", "down", "width", "height"), "B", 0.8
)


@pytest.mark.parametrize(
    ("factors", "side", "text"),
    [
        ((1.12, 1), 0, "Narrow the bowl 6 mm: both sides in 3 mm each."),
        ((0.88, 1), 0, "Widen the bowl 6 mm: both sides out 3 mm each."),
        ((1.12, 1), -1, "Narrow the bowl 6 mm: its right side in."),
        ((1.12, 1), 1, "Narrow the bowl 6 mm: its left side in."),
        ((0.88, 1), -1, "Widen the bowl 6 mm: its right side out."),
        ((1, 1.2), 0, "Make the bowl 6 mm less tall: top and bottom in 3 mm each."),
        ((1, 0.8), 0, "Make the bowl 6 mm taller: top and bottom out 3 mm each."),
        ((1, 1.2), -1, "Make the bowl 6 mm less tall: its bottom up."),
        ((1, 1.2), 1, "Make the bowl 6 mm less tall: its top down."),
    ],
)
def test_width_and_height_say_which_side_moves(factors, side, text):
    def change(points):
        low, high = points.min(0), points.max(0)
        fixed = {0: (low + high) / 2, -1: low, 1: high}[side]
        return stretch(points, factors, fixed)

    item = single(told(still_life(BOWL), only("bowl", change), noise=0.04))
    assert item.text == text


def test_a_thing_too_large_in_both_ways_is_reduced():
    item = single(told(still_life(BOWL), only("bowl", lambda p: stretch(p, (1.2, 1.2), p.mean(0)))))
    assert item.text.startswith("Reduce the bowl 1")
    assert item.scale == pytest.approx(1 / 1.2, abs=0.02)


STICK = Feature(
    "stick", "table/stick", "curve", line((300, 620), (620, 560), 16), False, ("across", "down", "tilt"), "B", 0.8,
    anchors={"near end": 0, "far end": 15},
)  # fmt: skip


@pytest.mark.parametrize(
    ("degrees", "text"),
    [(6, "Steepen the stick 6 degrees, far end up."), (-6, "Ease the stick 6 degrees, near end up.")],
)
def test_a_tilted_line_names_the_end_that_goes_up(degrees, text):
    item = single(told(still_life(STICK), only("stick", lambda p: turn_about(p, p.mean(0), degrees)), noise=0.04))
    assert item.text == text
    assert item.turn_deg == pytest.approx(-degrees, abs=0.5)


@pytest.mark.parametrize(("degrees", "word"), [(7, "up"), (-7, "down")])
def test_one_end_swings_when_the_other_is_right(degrees, word):
    item = single(told(still_life(STICK), only("stick", lambda p: turn_about(p, p[0], degrees)), noise=0.04))
    assert item.text.startswith(f"Swing the far end of the stick {word} ")
    assert (item.move_mm[1] < 0) == (word == "up")


@pytest.mark.parametrize(("degrees", "side"), [(3, "right"), (-3, "left")])
def test_an_upright_that_leans_is_plumbed(degrees, side):
    post = Feature(
        "post", "table/post", "segment", line((400, 300), (400, 700)), False, ("across", "tilt"), "B", 0.8, slides=True
    )
    item = single(told(still_life(post), only("post", lambda p: turn_about(p, p.mean(0), degrees))))
    assert item.text == f"Plumb the post: it leans 3 degrees to the {side}."


@pytest.mark.parametrize(("degrees", "end"), [(3, "left end"), (-3, "right end")])
def test_a_level_line_is_levelled(degrees, end):
    edge = Feature("edge", "table/edge", "segment", line((300, 700), (700, 700)), False, ("down", "tilt"), "B", 0.8, slides=True)
    item = single(told(still_life(edge), only("edge", lambda p: turn_about(p, p.mean(0), -degrees))))
    other = {"left end": "right end", "right end": "left end"}[end]
    expected = end if degrees < 0 else other
    drawn_low_end = "left end" if degrees > 0 else "right end"  # turned anticlockwise, the left end comes down
    assert drawn_low_end in item.text, (item.text, expected)
    assert item.text.startswith("Level the edge: ")


def test_an_ellipse_too_flat_is_opened_by_its_short_axis():
    """A rim 50 mm wide, ratio 0.34 in the picture and 0.28 drawn: 14 mm to 17 mm."""
    wide = 50 / SCALE
    rim = Feature(
        "rim", "table/jug/rim", "ellipse", ring((500, 400), (wide / 2, 0.17 * wide), 48), True,
        ("across", "down", "width", "tilt", "openness"), "B", 0.8,
    )  # fmt: skip
    item = single(told(still_life(rim), only("rim", lambda p: stretch(p, (1, 0.28 / 0.34), p.mean(0)))))
    assert item.text.startswith("Open the rim: short axis 14 mm to 17 mm")


def pear(side: str, x: float) -> Feature:
    return Feature(
        f"pear on the {side}", f"table/pears/{side}", "curve", ring((x, 500), (60, 80)), True, ("across", "down"), "B", 0.8
    )


@pytest.mark.parametrize(
    ("sign", "text"), [(1, "Bring the pears closer: move each in 3 mm"), (-1, "Set the pears further apart: move each out 3 mm")]
)
def test_a_pair_is_told_by_its_spacing(sign, text):
    pair = Pair("pears", "table/pears/left", "table/pears/right")
    subject = still_life(pear("left", 300), pear("right", 700), pairs=(pair,))

    def change(name, points):
        side = {"pear on the left": -1, "pear on the right": 1}.get(name, 0)
        return points + np.array([3.0 * sign * side, 0])

    item = single(told(subject, change))
    assert item.text.startswith(text)
    assert len(item.arrows) == 2
    (left, right) = sorted(item.arrows)
    assert np.sign(left[1][0]) == sign
    assert np.sign(right[1][0]) == -sign


def test_two_sides_of_one_thing_are_told_by_its_width():
    sides = tuple(
        Feature(f"{s} side", f"table/jar/{s}", "curve", line((x, 300), (x, 700)), False, ("across",), "B", 0.8, slides=True)
        for s, x in (("left", 400), ("right", 600))
    )
    subject = still_life(*sides, pairs=(Pair("jar", "table/jar/left", "table/jar/right", width=True),))
    item = single(told(subject, lambda n, p: p + np.array([{"left side": -2.5, "right side": 2.5}.get(n, 0), 0])))
    assert item.text.startswith("Narrow the jar 5 mm: bring each side in 2.5 mm")


@pytest.mark.parametrize(
    ("off", "text"), [(3, "Shorten the neck 3 mm; foot comes up with it"), (-3, "Lengthen the neck 3 mm; foot goes down with it")]
)
def test_a_gap_carries_what_lies_beyond(off, text):
    parts = tuple(
        Feature(
            f"foot {k}", f"table/vase/foot/{k}", "curve", ring((400 + 60 * k, 800), (25, 25)), True, ("across", "down"), "A", 0.8
        )
        for k in range(4)
    )
    subject = still_life(*parts, gaps=(Gap("neck", "down", tuple(f.name for f in parts), "foot"),))
    item = single(told(subject, lambda n, p: p + np.array([0, off]) if n.startswith("foot") else p))
    assert item.text.startswith(text)


def test_a_group_that_makes_right_things_wrong_is_not_moved():
    parts = tuple(
        Feature(
            f"plum {k}", f"table/plums/{k}", "curve", ring((300 + 120 * k, 800), (40, 40)), True, ("across", "down"), "B", 0.8
        )
        for k in range(4)
    )
    subject = still_life(*parts, groups=(Group("table/plums", "plums", "placement", True),))
    item = single(told(subject, only("plum 1", lambda p: p + np.array([0, 4.0]))))
    assert item.text == "Raise the plum 1 4 mm."
    item = single(told(subject, lambda n, p: p + np.array([0, 4.0]) if n.startswith("plum") else p))
    assert item.text == "Raise the plums 4 mm."


def test_equal_moves_of_siblings_are_merged_without_a_group():
    parts = tuple(
        Feature(
            f"plum {k}", f"table/plums/{k}", "curve", ring((300 + 120 * k, 800), (40, 40)), True, ("across", "down"), "B", 0.8
        )
        for k in range(4)
    )
    item = single(told(still_life(*parts), lambda n, p: p + np.array([4.0, 0]) if n in ("plum 1", "plum 2") else p))
    assert item.text.endswith("together 4 mm left.")
    assert "plum 1" in item.text
    assert "plum 2" in item.text


def test_a_bulge_is_moved_in_where_it_is():
    coin = Feature("coin", "table/coin", "curve", ring((500, 500), (150, 150), 48), True, ("across", "down", "shape"), "B", 0.8)

    def bulge(points):
        out = points - points.mean(0)
        out /= np.hypot(*out.T)[:, None]
        away = np.minimum(np.arange(48), 48 - np.arange(48))
        return points + out * (np.exp(-((away / 3.0) ** 2)) * 5.0)[:, None]

    item = single(told(still_life(coin), only("coin", bulge)))
    assert item.text.startswith("Move the outline of the coin in ")
    assert "right part" in item.text
    assert item.move_mm[0] < 0
    assert item.stage == "shape"


def test_three_measures_that_disagree_ask_for_a_redraw_and_say_what_survives():
    lemon = Feature(
        "lemon",
        "table/lemon",
        "curve",
        ring((500, 500), (150, 90), 40),
        True,
        ("across", "down", "width", "height", "tilt"),
        "B",
        0.8,
    )

    def spoilt(points):
        middle = points.mean(0)
        return turn_about(stretch(points, (1.15, 0.7), middle), middle, 9) + np.array([0.0, 0.0])

    shown, _, _ = told(still_life(lemon), only("lemon", spoilt))
    assert shown[0].text.startswith("Redraw the lemon: its ")
    assert "its place is right" in shown[0].text


def test_far_errors_are_redrawn():
    item = single(told(still_life(BOWL), only("bowl", lambda p: p + np.array([0, 12.0]))))
    assert item.text == "Redraw the bowl 12 mm higher; it is too far off to adjust."


def test_small_ones_are_marked():
    item = single(told(still_life(BOWL), only("bowl", lambda p: p + np.array([2.4, 0]))))
    assert item.text.endswith("(small: if you are there anyway).")


def test_the_cap_is_a_setting_and_the_rest_waits():
    settings = replace(Settings(), corrections=CorrectionSettings(shown_at_most=2))
    rng = np.random.default_rng(2)
    # Every other pebble, in unlike directions.
    moves = {f"pebble {k}": rng.permutation([5.0, -4.0]) * rng.choice([-1, 1], 2) for k in range(1, 7)}
    shown, later, good = told(still_life(BOWL), lambda n, p: p + moves.get(n, np.zeros(2)), settings=settings)
    assert len(shown) == 2
    assert later
    assert {"bowl", "pebble 9"} <= set(good)
    assert not set(good) & set(moves)


def test_importance_from_the_settings_ranks():
    def change(name, points):
        return points + np.array([0, 5.0]) if name in ("pebble 3", "bowl") else points

    plain = told(still_life(BOWL), change)[0]
    assert plain[0].explains == ("bowl",)
    settings = replace(Settings(), importance={"pebble 3": 1.0, "bowl": 0.1})
    assert told(still_life(BOWL), change, settings=settings)[0][0].explains == ("pebble 3",)


def test_sure_is_what_was_measured_of_statements_of_its_sort():
    bowl = [lambda p: p + np.array([0, 2.2]), lambda p: p + np.array([0, 6.0]), lambda p: p + 0.12 * (p - p.mean(0)) * [1, 0]]
    small, large, width = (single(told(still_life(BOWL), only("bowl", change), seed=1)) for change in bowl)
    assert small.size < 1.5 < large.size and width.kind == "width"
    sorts = ("near its limit", "clear", "own form")
    assert [each.sure for each in (small, large, width)] == [rank.HITS[sort] for sort in sorts]
    assert 0.0 < width.sure < small.sure < large.sure < 1.0


@pytest.mark.parametrize("turn", [0.0, 9.0, -9.0])
def test_move_is_reference_minus_drawing_on_the_paper(turn):
    off = np.array([4.0, -3.0])
    item = single(told(still_life(BOWL), only("bowl", lambda p: p + off), turn=turn))
    assert item.move_mm == pytest.approx(tuple(-off), abs=0.5)
    start, move = item.arrows[0]
    assert np.dot(move, -off) > 0
    assert start == pytest.approx(item.at_mm)


def test_the_refined_line_up_is_the_true_one_though_the_given_one_is_off():
    """Half of the things are wrong; the line-up handed in is a compromise with them."""
    subject = still_life(BOWL)
    true = LineUp("fewest", SCALE, 2.0, (30.0, 40.0))
    matrix = similarity_matrix(SCALE, 2.0, (30.0, 40.0))
    located = []
    for k, feature in enumerate(subject.features):
        drawn = apply(matrix, feature.points) + (np.array([0, 4.0]) if k in (1, 4, 6) else 0.0)
        located.append(Located(feature.name, True, "", drawn, np.full(len(drawn), 0.2), np.eye(2) * 0.04, 0.9))
    off = replace(true, scale=SCALE * 1.01, turn_deg=2.6, move_mm=(31.0, 41.0))
    refined = refine_lineup(subject, tuple(located), off, SHEET, Settings())
    corners = np.array([[0, 0], [1000, 0], [1000, 1000]], float)
    found = apply(similarity_matrix(refined.scale, refined.turn_deg, refined.move_mm), corners)
    assert np.abs(found - apply(matrix, corners)).max() < 0.15


def test_what_is_too_uncertain_is_neither_good_nor_told():
    subject = still_life(BOWL)
    matrix = similarity_matrix(SCALE, 0.0, (30.0, 40.0))
    located = []
    for feature in subject.features:
        sigma = 2.0 if feature.name == "bowl" else 0.2
        drawn = apply(matrix, feature.points) + (np.array([0, 3.0]) if feature.name == "bowl" else 0.0)
        located.append(Located(feature.name, True, "", drawn, np.full(len(drawn), sigma), np.eye(2) * sigma**2, 0.9))
    shown, later, good = correct(subject, tuple(located), LineUp("fewest", SCALE, 0.0, (30.0, 40.0)), SHEET, Settings())
    assert not shown
    assert not later
    assert "bowl" not in good
    assert len(good) == 12
