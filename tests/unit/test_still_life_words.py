"""What things on a table are called, and pictures of things without an axis to try it on."""

from __future__ import annotations

import numpy as np
import pytest
from featurediff_still_life.contours import Profile, side
from featurediff_still_life.forms import Axis, Widths, stands_out
from featurediff_still_life.outlines import Outline
from featurediff_still_life.vocabulary import Standing, height, names

from featurediff.geometry import normals, resample
from featurediff.testing.silhouettes import KINDS, dented, rendered_silhouette

LEFT, MIDDLE, RIGHT = Standing(0, 100, 300), Standing(150, 250, 320), Standing(400, 500, 310)
BEHIND = Standing(10, 90, 200)


@pytest.mark.parametrize(
    ("kinds", "standing", "told"),
    [
        (["vessel"], [LEFT], ["vessel"]),
        (["vessel", "object"], [LEFT, RIGHT], ["vessel", "object"]),
        (["object"] * 3, [LEFT, MIDDLE, RIGHT], ["object on the left", "object in the middle", "object on the right"]),
        (["vessel", "object", "vessel"], [LEFT, MIDDLE, RIGHT], ["vessel on the left", "object", "vessel on the right"]),
        # One before the other: which of them is further left, a slight turn of the picture would change.
        (["vessel", "vessel"], [LEFT, BEHIND], ["vessel in front", "vessel at the back"]),
        (["vessel"] * 3, [BEHIND, LEFT, RIGHT], ["vessel on the left at the back", "vessel on the left in front",
                                                 "vessel on the right"]),
    ],
)  # fmt: skip
def test_things_are_told_apart_among_those_of_their_kind(kinds, standing, told):
    assert names(kinds, [""] * len(kinds), standing) == told


def test_the_artists_names_come_first_and_no_two_things_share_one():
    assert names(["vessel", "vessel"], ["jug", ""], [LEFT, RIGHT]) == ["jug", "vessel"]
    rng = np.random.default_rng(1)
    for _ in range(50):
        low = rng.uniform(0, 500, 9)
        some = [Standing(x, x + w, y) for x, w, y in zip(low, rng.uniform(40, 200, 9), rng.uniform(0, 400, 9), strict=True)]
        kinds = list(rng.choice(["vessel", "object", "dish"], 9))
        found = names(kinds, [""] * 9, some)
        assert len(set(found)) == 9 and all(name.startswith(kind) for name, kind in zip(found, kinds, strict=True))


def test_handles_one_above_the_other_are_told_by_their_height():
    assert height(0, 1) == ""
    assert [height(k, 2) for k in range(2)] == ["upper ", "lower "]
    assert len({height(k, 4) for k in range(4)}) == 4


@pytest.mark.parametrize("kind", KINDS)
def test_a_silhouette_has_its_outline_on_an_edge_and_a_dent_is_as_deep_as_asked(kind):
    scene = rendered_silhouette(2, kind, size=(600, 480))
    line = scene.curves[f"{kind}: outline"]
    across = normals(line[:-1], True)
    grey = scene.pixels.astype(float)
    steps = []
    for way in (-4, 4):
        x, y = np.round(line[:-1] + way * across).astype(int).T
        steps.append(grey[y, x])
    assert np.median(np.abs(steps[0] - steps[1]).max(1)) > 15
    mm = 160 / scene.size_px
    warp = dented(scene, mm, 0.3, 3.0, 25.0)
    fine = resample(line[:-1], 1.0, closed=True)
    moved = np.hypot(*(warp.apply(fine) - fine).T) * mm
    assert moved.max() == pytest.approx(3.0, abs=0.15)
    assert (moved > 0.05).mean() * len(fine) * mm == pytest.approx(23.0, abs=5.0)


def test_a_spouts_root_is_no_side_where_the_other_side_is_hidden():
    """A body 40 px wide to either side; a spout leaves it at level 15, its lower edge is back by 35. The left is hidden there."""
    levels = np.arange(50.0)
    right = np.where((levels >= 15) & (levels < 35), 40 + 35 * (35 - levels) / 20, 40.0)
    left = np.where((levels > 10) & (levels < 38), np.nan, 40.0)
    widths = Widths(levels, np.array([left, right]), np.array([left, right]))
    grows, _ = stands_out(widths)
    assert not grows[0].any() and grows[1, 15:30].all() and not grows[1, :15].any() and not grows[1, 36:].any()
    # A shoulder widens fast, but not all at once.
    shoulder = np.clip(10 + 3 * (levels - 10), 10, 40)
    widths = Widths(levels, np.array([np.full(50, np.nan), shoulder]), np.array([np.full(50, np.nan), shoulder]))
    assert not stands_out(widths)[0].any()


def test_a_foot_is_no_spout_where_something_hides_its_other_side():
    """A straight body 40 px wide to either side, its foot rounded over three levels; the right is hidden in its lower half."""
    levels = np.arange(60.0)
    left = np.where(levels < 57, 40.0, 40 - 14 * (levels - 56))
    right = np.where(levels < 30, 40.0, np.nan)
    widths = Widths(levels, np.array([left, right]), np.array([left, right]))
    assert not stands_out(widths)[0].any()


def test_a_side_goes_on_behind_something_small_but_not_behind_something_large():
    """A cylinder, 80 px wide and 300 high; a spout's tip, then something high, stands in front of its left side."""
    y = np.arange(0, 301.0, 2)
    down, up = np.column_stack([0 * y + 140, y]), np.column_stack([0 * y + 60, y[::-1]])
    points = np.vstack([down, up])
    levels = np.arange(0, 300.0, 2)
    axis = Axis(np.array([100.0, 0.0]), np.array([0.0, 1.0]), 1.0)

    def left(start: float, stop: float) -> np.ndarray:
        hidden = (points[:, 0] < 100) & (points[:, 1] > start) & (points[:, 1] < stop)
        seen_left = np.where((levels > start) & (levels < stop), np.nan, 40.0)
        inner = np.array([seen_left, np.full(len(levels), 40.0)])
        nothing = np.zeros((2, len(levels)), bool)
        profile = Profile(levels, np.full(len(levels), 40.0), inner, nothing, nothing, 0.0, 300.0, None)
        return side(axis, Outline(points, np.ones(len(points), bool), hidden), profile, "left").points

    short = left(120, 160)
    assert np.ptp(short[:, 1]) > 290 and np.allclose(short[:, 0], 60, atol=0.5)
    assert np.ptp(left(80, 180)[:, 1]) < 130
