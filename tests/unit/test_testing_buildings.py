"""Building scenes: the same for the same seed, what they promise to hold; moves land exactly and straight lines stay straight."""

import functools

import numpy as np
import pytest

from featurediff.geometry import apply
from featurediff.testing import building_mistakes as mistakes
from featurediff.testing.fieldwarp import FieldWarp, together
from featurediff.testing.hands import HANDS, draw, place, split_at_corners
from featurediff.testing.scenes import photo_building, rendered_building
from featurediff.testing.strokes import wobble

KINDS = ("facade", "street", "corner", "tower", "arcade")
SORTS = {"vertical", "receding left", "receding right", "level", "slope", "window", "door", "arch", "dome", "clutter"}


@functools.cache
def scene(kind, seed, clutter=False):
    return rendered_building(seed, kind, clutter=clutter)


def _angle(curve):
    way = curve[-1] - curve[0]
    return np.degrees(np.arctan2(way[1], way[0]))


def _bend(warp, curve):
    """px by which a straight curve's moved course strays from its chord."""
    line = warp.apply(curve[0] + np.linspace(0, 1, 80)[:, None] * (curve[-1] - curve[0]))
    way = (line[-1] - line[0]) / np.hypot(*(line[-1] - line[0]))
    return float(np.abs((line - line[0]) @ [-way[1], way[0]]).max())


def _turned(one, warp, but=()):
    """Straight curves, other than those named, that the warp turns by more than 0.1 degree or bends by more than half a pixel."""
    lines = {n: c for n, c in one.curves.items() if len(c) == 2 and one.kinds[n] != "clutter" and n not in but}
    return [n for n, c in lines.items() if abs(_angle(warp.apply(c)) - _angle(c)) > 0.1 or _bend(warp, c) > 0.5]


def _shift(warp, curve):
    return warp.apply(curve) - curve


@pytest.mark.parametrize("kind", KINDS)
def test_a_scene_holds_what_it_promises(kind):
    one = scene(kind, 2, True)
    w, h = one.camera.size
    assert one.pixels.shape == (h, w, 3) and one.pixels.dtype == np.uint8
    assert one.mask.shape == (h, w) and 0.08 < one.mask.mean() < 0.9
    assert set(one.kinds) == set(one.curves) and set(one.kinds.values()) <= SORTS
    for name, curve in one.curves.items():
        assert curve.min() > -1 and (curve.max(0) <= [w, h]).all(), name
        if one.kinds[name] in ("window", "door"):
            assert np.allclose(curve[0], curve[-1]) and len(curve) >= 5
    assert one.named("vertical") and one.named("window")
    assert one.named("clutter")
    assert not scene(kind, 2).named("clutter")


def test_same_seed_same_scene_other_seed_other_scene():
    first, again, other = (rendered_building(seed, "facade", size=(500, 400)) for seed in (5, 5, 6))
    assert np.array_equal(first.pixels, again.pixels)
    assert all(np.array_equal(first.curves[n], again.curves[n]) for n in first.curves)
    assert not np.array_equal(first.pixels, other.pixels)


def test_unknown_kinds_are_refused():
    with pytest.raises(ValueError, match="facade"):
        rendered_building(1, "castle")


def test_hidden_edges_are_cut_off():
    """A street's eaves do not run on behind the next, higher house; the ground line stops at the step of the door."""
    one = scene("facade", 2)
    whole = one.curves["corner right"][:, 0].max() - one.curves["corner left"][:, 0].min()
    parts = [c for n, c in one.curves.items() if n.startswith("ground line")]
    assert sum(float(np.hypot(*(c[-1] - c[0]))) for c in parts) < 0.97 * whole


@pytest.mark.parametrize("seed", [0, 2, 7])
def test_a_facades_moves_land_exactly_and_move_nothing_else(seed):
    one = scene("facade", seed)
    rhythm = one.rhythms["facade"]
    gap = mistakes.gap_widened(one, 2, 14.0)
    for name in one.named("window", "door"):
        if name.startswith("dormer"):
            continue
        column = int(name.rsplit("-", 1)[1]) if "-" in name else None
        if column is None:
            continue
        dx = _shift(gap, one.curves[name])[:, 0]
        assert np.abs(dx - (14.0 if column > 2 else 0.0)).max() < 1.0, name
    head = apply(rhythm.matrix, np.array([[rhythm.columns[2][0], rhythm.top / 2]]))
    assert np.hypot(*_shift(gap, head)[0]) == pytest.approx(14.0, abs=0.01)
    assert _turned(one, gap) == []

    column = mistakes.column_moved(one, 2, -10.0)
    assert np.abs(_shift(column, one.curves["window 2-2"])[:, 0] + 10.0).max() < 0.8
    assert np.abs(_shift(column, one.curves["window 2-3"])).max() < 1e-9
    assert _turned(one, column) == []

    lean = mistakes.corner_leaning(one, "right", 2.0)
    corner = one.curves["corner right"]
    assert _angle(lean.apply(corner)) - _angle(corner) == pytest.approx(2.0, abs=0.02)
    assert _bend(lean, corner) < 0.1
    assert _turned(one, lean, but=("corner right",)) == []
    assert np.abs(_shift(lean, one.curves["window 2-1"])).max() < 1e-9

    eaves = mistakes.eaves_turned(one, 3.0)
    line = one.curves["eaves"]
    assert _angle(eaves.apply(line)) - _angle(line) == pytest.approx(3.0, abs=0.01)
    assert np.abs(_shift(eaves, line).mean(0)).max() < 0.8
    assert _bend(eaves, line) < 0.05
    # The roof's slopes end on the eaves and are aimed anew; all else keeps its course.
    assert _turned(one, eaves, but=("eaves", "verge left", "verge right")) == []
    assert max(_bend(eaves, one.curves[f"verge {s}"]) for s in ("left", "right")) < 0.5
    top = f"window {len(rhythm.rows)}-1"
    assert np.abs(_shift(eaves, one.curves[top])).max() < 0.5

    sill = mistakes.sill_lowered(one, 2, 3, 9.0)
    window = one.curves["window 2-3"]
    low = window[:, 1] > window[:, 1].mean() + 5
    assert _shift(sill, window)[low, 1] == pytest.approx(9.0, abs=0.3)
    assert np.abs(_shift(sill, one.curves["window 2-2"])).max() < 1e-9
    assert _turned(one, sill) == []

    end = mistakes.end_moved(one, "left", -12.0)
    assert np.abs(np.hypot(*_shift(end, one.curves["corner left"]).T) - 12.0).max() < 0.6
    assert np.abs(_shift(end, one.curves["window 1-1"])).max() < 1e-9


@pytest.mark.parametrize("seed", [0, 2, 5, 7])
def test_eaves_turned_without_the_roof_turn_nothing_else(seed):
    """The slopes keep their courses down to the band over the eaves, where they bend to its ends."""
    one = scene("facade", seed)
    warp, line = mistakes.eaves_turned(one, 3.0, roof=False, band_px=44.0), one.curves["eaves"]
    assert _angle(warp.apply(line)) - _angle(line) == pytest.approx(3.0, abs=0.01)
    assert _bend(warp, line) < 0.05
    assert np.abs(_shift(warp, line).mean(0)).max() < 0.8
    assert _turned(one, warp, but=("eaves", "verge left", "verge right")) == []
    level = line[:, 1].min()
    for side in ("left", "right"):
        foot, top = sorted(one.curves[f"verge {side}"].tolist(), key=lambda end: -end[1])
        course = np.array(foot) + np.linspace(0, 1, 100)[:, None] * (np.array(top) - foot)
        assert np.abs(_shift(warp, course[course[:, 1] < level - 47.0])).max() < 1e-9
        assert np.abs(_shift(warp, course[:1])).max() > 5.0
    for name in one.named("window"):
        assert np.abs(_shift(warp, one.curves[name])).max() < 1.5, name
    with pytest.raises(ValueError, match="fold"):
        mistakes.eaves_turned(one, 3.0, roof=False, band_px=8.0)


def test_scenario_twelve_in_one_drawing():
    """A corner leaning 2 degrees, a gap 3 mm off and eaves turned by 3 degrees, drawn together, keep their amounts."""
    one = scene("facade", 2)
    warp = together(
        mistakes.corner_leaning(one, "right", 2.0), mistakes.gap_widened(one, 2, 14.0), mistakes.eaves_turned(one, 3.0)
    )
    corner, eaves = one.curves["corner right"], one.curves["eaves"]
    assert _angle(warp.apply(corner)) - _angle(corner) == pytest.approx(2.0, abs=0.15)
    assert _angle(warp.apply(eaves)) - _angle(eaves) == pytest.approx(3.0, abs=0.05)
    assert _bend(warp, eaves) < 0.6
    assert np.abs(_shift(warp, one.curves["window 2-4"])[:, 0] - 14.0).max() < 1.0


def test_a_gables_peak():
    one = scene("facade", 3)
    warp = mistakes.peak_lowered(one, 20.0)
    left, right = one.curves["gable slope left"], one.curves["gable slope right"]
    peak = left[np.argmin(left[:, 1])][None]
    assert _shift(warp, peak)[0] == pytest.approx([0.0, 20.0], abs=0.3)
    assert max(_bend(warp, c) for c in (left, right)) < 0.1
    assert _turned(one, warp, but=("gable slope left", "gable slope right")) == []
    with pytest.raises(ValueError, match="gable"):
        mistakes.peak_lowered(scene("facade", 2), 20.0)


@pytest.mark.parametrize(("kind", "seed"), [("street", 1), ("corner", 1), ("corner", 3)])
def test_a_raised_eye_level_aims_the_receding_lines_at_a_higher_point(kind, seed):
    one = scene(kind, seed)
    warp = mistakes.eye_level_raised(one, 18.0)
    targets = [v[:2] / v[2] - [0.0, 18.0] for v in (one.vanishing["x"], one.vanishing["y"]) if v[2]]
    checked = 0
    for name in one.named("receding left", "receding right"):
        curve = one.curves[name]
        if name.startswith("end") or np.hypot(*(curve[1] - curve[0])) < 60 or _bend(warp, curve) > 0.3:
            continue
        line = warp.apply(curve)
        way, middle = line[1] - line[0], line.mean(0)
        sines = [abs(np.cross([*way, 0], [*(t - middle), 0])[2]) / np.hypot(*way) / np.hypot(*(t - middle)) for t in targets]
        assert min(sines) < 1e-3, name
        checked += 1
    assert checked >= 4
    for name in one.named("vertical"):
        assert abs(_angle(warp.apply(one.curves[name])) - _angle(one.curves[name])) < 0.01


def test_a_near_corner_leans_with_both_walls():
    one = scene("corner", 1)
    warp = mistakes.near_corner_leaning(one, 2.0)
    corner = one.curves["corner near"]
    assert _angle(warp.apply(corner)) - _angle(corner) == pytest.approx(2.0, abs=0.05)
    assert [n for n in _turned(one, warp, but=("corner near",)) if "storey" in n] == []
    with pytest.raises(ValueError, match="near_corner_leaning"):
        mistakes.corner_leaning(one, "left", 2.0, "right")


def test_single_lines():
    one = scene("facade", 2)
    line = one.curves["storey line 1"]
    turned = mistakes.line_turned(one, "storey line 1", 1.0)
    assert _angle(turned.apply(line)) - _angle(line) == pytest.approx(1.0, abs=0.02)
    assert _bend(turned, line) < 0.2
    assert np.abs(_shift(turned, one.curves["eaves"])).max() < 0.1
    shifted = mistakes.line_shifted(one, "storey line 1", (0.0, 8.0))
    assert _shift(shifted, line) == pytest.approx(np.tile([0.0, 8.0], (len(line), 1)), abs=0.05)
    assert np.abs(_shift(shifted, one.curves["window 2-2"])).max() < 0.1
    longer = mistakes.line_stretched(one, "ridge", 1.03)
    before, after = one.curves["ridge"], longer.apply(one.curves["ridge"])
    assert np.hypot(*(after[1] - after[0])) / np.hypot(*(before[1] - before[0])) == pytest.approx(1.03, abs=0.002)


def test_careless_moves_windows_by_the_spread_asked_for():
    one = scene("facade", 2)
    shifts = [_shift(mistakes.careless(one, 6.0, s), one.curves["window 2-2"]).mean(0) for s in range(12)]
    assert 3.0 < np.std(shifts) < 9.0
    assert _turned(one, mistakes.careless(one, 6.0, 1)) == []


def test_field_warps_invert_and_refuse_folds():
    one = scene("facade", 2)
    warp = mistakes.gap_widened(one, 2, 14.0)
    points = np.random.default_rng(1).uniform([0, 0], [1499, 1199], (400, 2))
    assert np.abs(warp.apply(warp.inverse(points)) - points).max() < 0.01
    back = warp.inverse_map(1200, 1500)
    ys, xs = (np.array(v) for v in ([300, 700, 900], [200, 900, 1300]))
    assert np.abs(warp.apply(back[ys, xs].astype(float)) - np.column_stack([xs, ys])).max() < 0.6
    with pytest.raises(ValueError, match="fold"):
        mistakes.column_moved(one, 2, 400.0)
    with pytest.raises(ValueError, match="fold"):
        FieldWarp(lambda p: p * [-2.0, 0.0], points, (1200, 1500))


def test_straight_freehand_lines_wander_but_keep_place_and_slope():
    line = np.column_stack([np.linspace(0, 100, 251), np.zeros(251)])
    rng = np.random.default_rng(2)
    drawn = [wobble(line, rng, 0.3, keep_slope=True)[:, 1] for _ in range(40)]
    slopes = [np.polyfit(line[:, 0], y, 1)[0] for y in drawn]
    assert np.abs(np.degrees(slopes)).max() < 0.01
    assert np.abs([y.mean() for y in drawn]).max() < 1e-6
    assert 0.2 < np.std(drawn) < 0.45
    assert 0.3 < np.mean([np.ptp(y) for y in drawn]) < 1.8


def test_outlines_are_split_at_their_corners():
    square = np.array([[0, 0], [0, 4], [3, 4], [3, 0], [0, 0]], float)
    assert [len(side) for side in split_at_corners(square)] == [2, 2, 2, 2]
    arc = np.column_stack([np.cos(np.linspace(0, 3, 40)), np.sin(np.linspace(0, 3, 40))])
    assert len(split_at_corners(arc)) == 1


@pytest.mark.parametrize("hand", list(HANDS))
def test_every_hand_draws_a_building_where_it_should_be(hand):
    """The ink over a long eaves line lies on its true course on a landscape sheet of 11 x 15 inches, moved by a known error."""
    one = scene("facade", 2)
    warp = mistakes.eaves_turned(one, 3.0)
    placement = place(one, (381.0, 279.4), height_mm=200.0)
    sheet = draw(one, warp, hand=hand, placement=placement, seed=4, px_per_mm=5.0, only=("eaves",))
    assert sheet.pixels.shape[1] > sheet.pixels.shape[0]
    ends = sheet.true_mm(one.curves["eaves"])
    t = np.linspace(0.05, 0.95, 300)[:, None]
    course = ends[0] + t * (ends[1] - ends[0])
    offsets = np.arange(-1.4, 1.41, 0.1)
    at = (course[:, None] + np.dstack([np.zeros_like(offsets), offsets])) * 5.0 - 0.5
    x, y = np.round(at).astype(int).transpose(2, 0, 1)
    ink = sheet.darkness[y, x]
    middle = (ink * offsets).sum(1) / np.maximum(ink.sum(1), 1e-6)
    steep, mean = np.polyfit(t[:, 0] - 0.5, middle, 1)
    # Tonal and hatched hands also darken the shadow under the eaves.
    loose = hand in ("tonal", "hatched")
    assert abs(mean) < (0.6 if loose else 0.15)
    assert abs(np.degrees(steep / np.hypot(*(ends[1] - ends[0])))) < (0.25 if loose else 0.12)


def test_a_photograph_of_a_building_or_what_to_install():
    with pytest.raises(KeyError, match="pagoda"):
        photo_building("castle")
    try:
        one = photo_building("pagoda")
    except FileNotFoundError as missing:
        assert "scikit-learn" in str(missing)
        return
    assert one.pixels.shape == (1068, 1600, 3) and one.mask.shape == (1068, 1600) and not one.curves
