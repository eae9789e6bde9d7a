"""Parts that stick out of a whole, and what is measured of them: a made-up hand, and a made-up bar with two ends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hand_kit import hand, longer
from located_kit import both, draw, shift, within

from featurediff.corrections import checks, correct, refine_lineup
from featurediff.corrections.items import Item
from featurediff.corrections.rank import split
from featurediff.geometry import apply, similarity_matrix, split_similarity
from featurediff.records import Feature, Gap, Group, LineUp, Located, Sheet, Subject
from featurediff.settings import Settings

THUMB = within("hand/fingers/thumb", "hand/webs/thumb")
SHEET = Sheet((210.0, 297.0), "scan", np.eye(3), None, 0.0, 5.0, 0.3, np.full(4, 0.1))


def told(change, seed: int, only=None):
    """(drawing with its refined line-up, statements, good)."""
    drawing = draw(hand(), change, seed=seed, size_mm=180.0, noise=0.35, trust=0.3, only=only)
    drawing = replace(drawing, lineup=refine_lineup(drawing.subject, drawing.located, drawing.lineup, drawing.sheet, Settings()))
    now, later, good = drawing.corrections()
    return drawing, now + later, good


def scale_error(drawing) -> float:
    """In percent."""
    return abs(100 * (drawing.lineup.scale / split_similarity(drawing.true)[0] - 1))


def few(feature: Feature) -> bool:
    """Half of the hand is too faint: one side of each finger, one of the palm, the wrist."""
    return not feature.name.startswith(("right side", "left side of the palm", "wrist"))


@pytest.mark.parametrize("only", [None, few], ids=["whole", "half"])
@pytest.mark.parametrize("seed", [20, 21, 22])
def test_one_part_moved_is_told_of_that_part_and_the_line_up_stays(seed, only):
    drawing, items, _ = told(shift(THUMB, -4.0, 0.0), seed, only)
    assert scale_error(drawing) < 0.7
    assert {each.kind for each in items} == {"move"}
    assert all("thumb" in each.text and "right" in each.text for each in items), [each.text for each in items]
    assert any(each.text.startswith("Move the thumb ") for each in items)


@pytest.mark.parametrize("seed", [20, 21, 22])
def test_two_parts_off_in_unlike_ways_are_no_fault_of_the_whole(seed):
    _, items, _ = told(both(shift(THUMB, -4.0, 0.0), longer("index finger", 5.0)), seed, few)
    assert not {"grows", "aspect", "scale"} & {each.kind for each in items}, [each.text for each in items]
    assert any(each.text.startswith("Lower the tip of the index finger") for each in items)


def test_the_line_up_by_fewest_changes_does_not_share_one_parts_error_out():
    """Before the statements have a say: all within tolerance would leave nothing to change, and hide 4 mm."""
    for seed in (20, 21, 22):
        drawing = draw(hand(), shift(THUMB, -4.0, 0.0), seed=seed, size_mm=180.0, noise=0.35, trust=0.3)
        assert scale_error(drawing) < 0.7


def test_a_finger_judged_at_its_tip_alone_is_not_lengthened_from_an_end_that_was_not_measured():
    """Its sides are judged across themselves: its foot is nowhere measured along it."""
    for seed in (20, 21, 22):
        _, items, _ = told(longer("index finger", 5.0), seed)
        [item] = [each for each in items if "index" in each.text]
        assert item.text.startswith("Lower the tip of the index finger")
        tip = hand().feature("tip of the index finger").points.mean(0)
        [(start, move)] = item.arrows
        drawn = apply(draw(hand(), None, seed=seed, size_mm=180.0).true, tip[None])[0]
        assert np.hypot(*(np.array(start) - drawn)) < 8.0
        assert move[1] > 0


def test_what_is_beyond_its_limit_is_not_called_good():
    for seed in range(20, 26):
        drawing, items, good = told(both(shift(THUMB, -4.0, 0.0), longer("index finger", 5.0)), seed, few)
        explained = {name for each in items for name in each.explains}
        beyond = {each.feature for each in drawing.deviations() if abs(each.value) > 1.2 * each.tolerance + 2 * each.sigma}
        assert not (beyond - explained) & set(good)


# ---------------------------------------------------------------- a bar measured at one end, at both, or by its length


def bar(*measures: tuple[str, ...]) -> Subject:
    """A bar of two end plates among a dozen pebbles; ``measures`` of its left and right plate."""
    rng = np.random.default_rng(5)
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack([25 * np.cos(t), 18 * np.sin(t)])
    pebbles = [
        Feature(f"pebble {k}", f"table/pebbles/{k}", "curve", ring + at, True)
        for k, at in enumerate(rng.uniform(100, 900, (12, 2)), 1)
    ]
    rims = [ring * (5.0, 1.0) + (x, 500.0) for x in (300.0, 550.0)]
    plates = [
        Feature(f"{side} plate", f"table/bar/{side}", "curve", rim, True, names, importance=0.8)
        for side, rim, names in zip(("left", "right"), rims, measures, strict=True)
    ]
    region = np.array([[0, 0], [1000, 0], [1000, 1000], [0, 1000]], float)
    return Subject((*pebbles, *plates), 1000.0, "height of the group", region, groups=(Group("table/bar", "bar"),))


def kinds(subject: Subject, change) -> set[str]:
    items, later, _ = _corrected(subject, change)
    return {each.kind for each in items + later}


def _corrected(subject: Subject, change, noise: float = 0.05):
    rng = np.random.default_rng(1)
    lineup = LineUp("fewest", 0.16, 0.0, (30.0, 40.0))
    matrix = similarity_matrix(0.16, 0.0, (30.0, 40.0))
    located = []
    for feature in subject.features:
        drawn = change(feature, apply(matrix, feature.points)) + rng.normal(0, noise, 2)
        located.append(Located(feature.name, True, "", drawn, np.full(len(drawn), 0.2), np.eye(2) * 0.04, 0.9))
    return correct(subject, tuple(located), lineup, SHEET, Settings())


def stretched(feature: Feature, points: np.ndarray) -> np.ndarray:
    if "plate" not in feature.name:
        return points
    middle = 0.16 * 425.0 + 30.0
    return np.column_stack([(points[:, 0] - middle) * 1.15 + middle, points[:, 1]])


def test_a_block_is_stretched_only_where_both_its_ends_are_measured():
    both_ways = ("across", "down")
    assert kinds(bar(both_ways, both_ways), stretched) == {"width"}
    assert "width" not in kinds(bar(("down",), both_ways), stretched)
    assert kinds(bar(("down",), ("across", "down", "width")), stretched) <= {"width", "move"}


# ---------------------------------------------------------------- gaps, whichever way they run


@pytest.mark.parametrize("off", [4.0, -4.0], ids=["too long", "too short"])
@pytest.mark.parametrize(
    ("direction", "sign", "longer", "shorter"),
    [
        ("down", 1, "Shorten the neck 4 mm; foot comes up with it", "Lengthen the neck 4 mm; foot goes down with it"),
        ("down", -1, "Shorten the neck 4 mm; foot comes down with it", "Lengthen the neck 4 mm; foot goes up with it"),
        ("across", 1, "Narrow the neck 4 mm; foot comes left with it", "Widen the neck 4 mm; foot goes right with it"),
        ("across", -1, "Narrow the neck 4 mm; foot comes right with it", "Widen the neck 4 mm; foot goes left with it"),
    ],
)
def test_a_gaps_far_end_lies_where_what_it_carries_lies(direction, sign, longer, shorter, off):
    """``off``: by how much the far end lies too far from the rest."""
    axis = np.array([0.0, 1.0] if direction == "down" else [1.0, 0.0]) * sign
    side = np.array([axis[1], axis[0]])
    plain = bar(("across", "down"), ("across", "down"))
    pebbles = [each for each in plain.features if each.name.startswith("pebble")]
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack([25 * np.cos(t), 25 * np.sin(t)])
    parts = [
        Feature(
            f"foot {k}", f"table/vase/foot/{k}", "curve", ring + 500 + 520 * axis + 70 * (k - 1.5) * side, True, importance=0.8
        )
        for k in range(4)
    ]
    gap = Gap("neck", direction, tuple(each.name for each in parts), "foot")
    subject = replace(plain, features=(*pebbles, *parts), groups=(), gaps=(gap,))
    items, later, _ = _corrected(subject, lambda f, p: p + off * axis if f.name.startswith("foot") else p)
    [item] = items + later
    assert item.kind == "gap"
    assert item.text.removesuffix(".").startswith(longer if off > 0 else shorter)
    assert np.sign(np.dot(item.move_mm, axis)) == -np.sign(off)


# ---------------------------------------------------------------- checks by eye


def test_only_extents_that_can_be_seen_are_compared_with():
    line = np.linspace((0, 0), (100, 40), 9)
    cut = Feature("side", "s", "curve", line)
    assert not checks.ends_seen(cut)
    assert not checks.ends_seen(replace(cut, slides=True, anchors={"a": 0, "b": 8}))
    assert not checks.ends_seen(replace(cut, anchors={"a": 0}))
    assert checks.ends_seen(replace(cut, anchors={"a": 0, "b": 8}))
    assert checks.ends_seen(replace(cut, closed=True))
    assert checks.ends_seen(cut, {"side"})
    for seed in (20, 21):
        _, items, _ = told(both(shift(THUMB, -4.0, 0.0), longer("index finger", 5.0)), seed)
        assert not any(word in each.check for each in items for word in ("width of", "height of")), [e.check for e in items]


# ---------------------------------------------------------------- order


def item(stage: str, size: float) -> Item:
    return Item("shape", (), stage, size, 0.5, (), np.zeros(2), 1.0, 0.1)


def test_what_is_small_comes_after_what_needs_fixing():
    small, plain, detail = item("size", 1.4), item("shape", 3.0), item("detail", 4.0)
    shown, waiting = split([small, plain, detail], Settings())
    assert shown == [plain, detail, small], "a small item of size keeps no detail waiting"
    assert not waiting
    shown, waiting = split([replace(small, size=2.5), plain, detail], Settings())
    assert [each.stage for each in shown] == ["size", "shape"]
    assert waiting == [detail]
