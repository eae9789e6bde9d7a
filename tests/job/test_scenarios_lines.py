"""Acceptance scenarios of straight lines at the level of located points (no pictures): scenario 12, eye level, rows, proportions.

The house is 140 mm high, the picture trusted to 0.8 mm, matching noise 0.25 mm and 0.3 degrees. The scenarios and their words are
the project's own demands on itself (`common practice` of drawing lessons, no source).
"""

from __future__ import annotations

import re
import time
from dataclasses import replace

import numpy as np
import pytest
from lines_kit import POINTS, SIZE, aimed, draw, floor, house, lean, shift, wider

from featurediff.geometry import apply, similarity_matrix
from featurediff.records import Feature, Group, Junction, Meeting, Row, Subject

SEEDS = range(8)
HOUSE = house()
PLAIN = house(lengths=False, numbered=False, columns=False)
LEANING = lean("left corner of the front", 2, 1.0)
GAP = shift(floor("first", 3, 4, 5), 3, 0)
EAVES = lean("eaves of the right side", 3, 0.0)
CROWDING = tuple(shift(floor("first", k), -1.0 * (k - 1), 0) for k in (2, 3, 4))


def lists(subject, *changes, seeds=SEEDS, **more):
    """(shown, later, good) of each seed."""
    return [draw(subject, *changes, seed=seed, **more).corrections() for seed in seeds]


def texts(found) -> list[list[str]]:
    return [[each.text for each in shown + later] for shown, later, _ in found]


def at_least(share: float, outcomes: list[bool]) -> None:
    assert sum(outcomes) >= share * len(outcomes), f"{sum(outcomes)} of {len(outcomes)}"


def only(found, start: str) -> list:
    """The one correction of each list. Fails when a list holds another number, or one that starts otherwise."""
    for shown, later, _ in found:
        told = [each.text for each in shown + later]
        assert len(told) == 1, told
        assert told[0].startswith(start), told
    return [(shown + later)[0] for shown, later, _ in found]


def amount(text: str, unit: str = "mm") -> float:
    return float(re.search(rf"([\d.]+) {unit}", re.sub(r"\(\d.*?\)", "", text))[1])


# ---------------------------------------------------------------- nothing wrong


@pytest.mark.parametrize("subject", [HOUSE, PLAIN], ids=["lengths, columns", "plain"])
@pytest.mark.parametrize(("turn", "size_mm"), [(0.0, 140.0), (2.0, 140.0), (-2.0, 98.0)])
def test_a_true_copy_turned_or_scaled_has_nothing_to_fix(subject, turn, size_mm):
    drawings = [draw(subject, seed=seed, turn=turn, size_mm=size_mm) for seed in range(20)]
    items = sum(len(shown) + len(later) for shown, later, _ in (each.corrections() for each in drawings))
    assert items <= 1
    assert np.mean([each.lineup.turn_deg for each in drawings]) == pytest.approx(turn, abs=0.1)
    assert np.mean([each.lineup.scale for each in drawings]) == pytest.approx(size_mm / SIZE, rel=0.005)


# ---------------------------------------------------------------- scenario 12


@pytest.mark.parametrize("subject", [HOUSE, PLAIN], ids=["lengths, columns", "plain"])
@pytest.mark.parametrize("turn", [0.0, 1.0])
def test_12_a_leaning_corner_a_wide_gap_and_steep_eaves_are_three_items(subject, turn):
    found = lists(subject, LEANING, GAP, EAVES, turn=turn, seeds=range(10))
    told = texts(found)
    assert all(len(each) == 3 for each in told)
    leans = []
    for rest in told:
        # Three millimetres are about twice the limit: the gap comes first only where it is not small.
        [gap] = [each for each in rest if each.startswith("Narrow the gap between windows 2 and 3 of the first floor ")]
        assert "; windows 4 and 5 move left with it" in gap
        assert amount(gap) == pytest.approx(3, abs=0.5)
        [corner] = [each for each in rest if each.startswith("Plumb the left corner of the front")]
        assert "to the right" in corner
        leans.append(amount(corner, "degrees?"))
        [eaves] = [each for each in rest if each.startswith("Ease the eaves of the right side")]
        true, drawn = re.search(r"(\d+) degrees in the picture, (\d+) drawn", eaves).groups()
        assert true == "45"
        assert int(drawn) in (47, 48, 49)
    degrees = [{each.explains[0]: each.turn_deg for each in shown if each.turn_deg is not None} for shown, _, _ in found]
    # Of a normal error of 0.3 degrees, put in, 0.90 lie within 0.5.
    at_least(0.9, [abs(each - 2) <= 0.5 for each in leans])
    at_least(0.8, [abs(each["left corner of the front"] + 2) <= 0.5 for each in degrees])
    at_least(0.8, [abs(each["eaves of the right side"] + 3) <= 0.6 for each in degrees])


# ---------------------------------------------------------------- where lines meet


@pytest.mark.parametrize(("off", "text"), [(-5, "Lower the eye level "), (6, "Raise the eye level ")])
def test_a_wrong_eye_level_is_one_item(off, text):
    for item in only(lists(HOUSE, aimed("left", 0, off), aimed("right", 0, off)), text):
        assert amount(item.text) == pytest.approx(abs(off), abs=0.5)
        assert "; the lines that recede to the left and right (9, 10, 11, 13 and 2 more) meet there" in item.text
        assert item.move_mm == pytest.approx((0, -off), abs=0.6)
        assert item.stage == "proportion"
        assert all(np.sign(move[1]) == -np.sign(off) for _, move in item.arrows)


def test_the_eye_levels_error_is_measured():
    for seed in SEEDS:
        [row] = [
            each
            for each in draw(HOUSE, aimed("left", 0, -5), aimed("right", 0, -5), seed=seed).deviations()
            if each.feature == "eye level"
        ]
        assert (row.measure, row.unit) == ("down", "mm")
        assert row.value == pytest.approx(-5, abs=4 * row.sigma)
        assert 0.05 < row.sigma < 0.6
        assert row.tolerance > 0
        [still] = [each for each in draw(HOUSE, seed=seed).deviations() if each.feature == "eye level"]
        assert abs(still.value) < 4 * still.sigma


def test_an_eye_level_off_by_little_at_every_line_is_told_where_it_lies_on_the_drawing():
    """1.5 mm at the ends of the eaves (their limit is 1.4 mm and 2 sigmas), 2.4 mm where the lines meet: all lines show it."""
    told = texts(lists(HOUSE, aimed("left", 0, -2.6), aimed("right", 0, -2.6), seeds=range(12)))
    at_least(0.9, [len(each) == 1 and each[0].startswith("Lower the eye level ") for each in told])


def test_what_closes_a_street_goes_with_the_point_that_its_lines_meet_at():
    """A street between two walls with a house at its end, which is drawn as much too high as the eye level is."""
    subject, at = _street()
    amount_mm = 4.0
    level = at * 140 / SIZE

    def change(name, points):
        if name.startswith("end"):
            return points - np.array([0.0, amount_mm * 0.8])
        far = points[np.hypot(*(points - level).T).argmax()]
        share = ((points - far) @ (level - far) / ((level - far) @ (level - far)))[:, None]
        return points - share * np.array([0.0, amount_mm])

    told = texts(lists(subject, change, seeds=range(12)))
    at_least(0.9, [len(each) == 1 and each[0].startswith("Lower the eye level ") for each in told])
    for [text] in (each for each in told if len(each) == 1):
        assert amount(text) == pytest.approx(4, abs=0.6)


def _street() -> tuple[Subject, np.ndarray]:
    at, features = np.array([500.0, 600.0]), []
    for side, x in (("left", 0.0), ("right", 1000.0)):
        for k, y in enumerate((50, 250, 450, 800)):
            start = np.array([x, float(y)])
            points = np.array([start, start + 0.8 * (at - start)])
            features.append(
                Feature(f"line {k + 1} on the {side}", f"street/{side}/{k}", "segment", points, False, TILTED, slides=True)
            )
    for name, ends in {"left": (440, 520, 440, 640), "right": (560, 520, 560, 640), "top": (440, 520, 560, 520)}.items():
        points = np.array(ends, float).reshape(2, 2)
        features.append(Feature(f"end {name}", f"street/end/{name}", "segment", points, False, TILTED, slides=True))
    lines = tuple(each.name for each in features if each.name.startswith("line"))
    region = np.array([[0, 0], [1000, 0], [1000, 850], [0, 850]], float)
    return Subject(tuple(features), SIZE, "height", region, meetings=(Meeting("lines that recede", lines, at),)), at


TILTED = ("across", "down", "tilt")


@pytest.mark.parametrize(("off", "way"), [(-6, "lower"), (6, "higher")])
def test_one_side_that_aims_wrong_is_told_by_itself(off, way):
    for item in only(lists(HOUSE, aimed("right", 0, off)), "Make the lines that recede to the right (13, 14 and 15) meet "):
        assert f"mm {way}" in item.text
        assert amount(item.text) == pytest.approx(6, abs=0.6)


@pytest.mark.parametrize(("off", "words"), [(9, ("faster", "together")), (-9, ("more slowly", "apart"))])
def test_a_point_too_far_or_too_near_is_told_at_the_lines(off, words):
    """The point is 70 mm beyond the far corner; 9 mm there are 3 mm at the end of the eaves."""
    for item in only(lists(HOUSE, aimed("right", off, 0)), "Make the lines that recede to the right (13, 14 and 15) close in "):
        assert all(word in item.text for word in words)
        assert amount(item.text) == pytest.approx(9 * 250 / 400 * np.sin(np.radians(45)), abs=0.8)


def test_lines_that_hardly_spread_say_nothing_about_their_point():
    far = Meeting("lines that recede to the right", HOUSE.meetings[1].members, np.array([9e4, 650.0]))
    subject = _with(HOUSE, meetings=(far,))
    flat = [_flattened(feature) for feature in subject.features]
    subject = _with(subject, features=tuple(flat), junctions=())
    assert not any(each.feature == "eye level" for each in draw(subject).deviations())


def test_a_far_eye_level_is_told_at_the_lines():
    """Lines that all run up to a point high above the paper: its own place would mean nothing to the artist."""
    up = Meeting(
        "lines that climb", ("left roof slope", "left outer corner", "left corner of the front"), np.array([9000.0, -6000.0])
    )
    subject = _with(HOUSE, meetings=(up,), rows=())

    def change(name, points):
        if name not in up.members:
            return points
        at = up.at * 140 / SIZE
        far = np.hypot(*(points - at).T).argmax()
        share = ((points - points[far]) @ (at - points[far]) / ((at - points[far]) @ (at - points[far])))[:, None]
        return points + share * np.array([0, -260.0])

    told = [each for lines in texts(lists(subject, change, seeds=range(3))) for each in lines if "eye level" in each]
    assert told
    for each in told:
        assert amount(each) < 30
        assert "far ends of the lines that climb" in each


def _flattened(feature):
    if feature.name in HOUSE.meetings[1].members:
        start = feature.points[0]
        return replace(feature, points=np.array([start, start + np.array([250.0, 0.01 * (650 - start[1])])]), slides=True)
    return feature


def _with(subject, **more):
    return replace(subject, **more)


def test_a_changed_eye_level_is_no_growing_or_narrow_drawing():
    for off in (-8, 8):
        for told in texts(lists(HOUSE, aimed("left", 0, off), aimed("right", 0, off), seeds=range(4))):
            assert not any("grows" in each or "whole drawing" in each for each in told)


# ---------------------------------------------------------------- rows


def test_windows_that_crowd_are_one_item():
    found = lists(HOUSE, *CROWDING, seeds=range(12))
    assert all(len(shown) + len(later) == 1 for shown, later, _ in found)
    start = "Windows 2-4 of the first floor crowd: spread them right by "
    items = [shown[0] for shown, _, _ in found if shown and shown[0].text.startswith(start)]
    # 1 mm for the first of them is within its limit: now and then the two others alone are told.
    assert len(items) >= 0.7 * len(found)
    for item in items:
        told = [float(each) for each in re.search(r"by ([\d.]+), ([\d.]+) and ([\d.]+) mm", item.text).groups()]
        assert told == pytest.approx([1, 2, 3], abs=0.6)
        assert all(move[0] > 0 for _, move in item.arrows)


def test_windows_too_far_apart_are_brought_together():
    wide = tuple(shift(floor("first", k), 1.5 * (k - 1), 0) for k in (2, 3, 4))
    only(lists(HOUSE, *wide), "Windows 2-4 of the first floor stand too far apart: bring them left by 1.5, ")


def test_a_row_spread_about_its_middle():
    spread = tuple(shift(floor("first", k), 1.5 * (k - 3), 0) for k in range(1, 6))
    for item in only(lists(HOUSE, *spread), "Bring the windows of the first floor closer together: the outermost in "):
        assert amount(item.text) == pytest.approx(3, abs=0.5)


@pytest.mark.parametrize(
    ("numbers", "x", "text"),
    [
        ((1, 2), 3, "Widen the gap between windows 2 and 3 of the first floor 3 mm; window 1 moves left with it"),
        ((4, 5), -3, "Widen the gap between windows 3 and 4 of the first floor 3 mm; window 5 moves right with it"),
        ((1, 2), -3, "Narrow the gap between windows 2 and 3 of the first floor 3 mm; window 1 moves right with it"),
        ((3, 4), 3, "Move windows 3 and 4 of the first floor together 3 mm left"),
    ],
)
def test_gaps_say_which_way_the_rest_moves(numbers, x, text):
    told = texts(lists(HOUSE, shift(floor("first", *numbers), x, 0)))
    assert all(len(each) == 1 for each in told)
    before, after = text.split(" 3 mm")
    alike = [each[0] for each in told if each[0].startswith(before) and after in each[0]]
    assert len(alike) >= 0.7 * len(told), told
    assert all(amount(each) == pytest.approx(3, abs=0.6) for each in alike)


def test_a_gap_takes_along_the_corner_that_lies_beyond_it():
    """All of a front right of a gap is drawn too far right, its corner too: one gap, told of the columns, not of each storey."""
    names = [each.name for each in HOUSE.features if "side" not in each.part]
    subject = _with(
        HOUSE,
        features=tuple(each for each in HOUSE.features if each.name in names),
        groups=HOUSE.groups[:3],
        meetings=(),
        junctions=(),
        pairs=(),
    )
    wide = shift((*floor("first", 3, 4, 5), *floor("ground", 3, 4, 5), "right corner of the front"), 3, 0)
    told = texts(lists(subject, wide, seeds=range(10)))
    start = "Narrow the gap between window columns of the front 2 and 3 by "
    right = [len(each) == 1 and each[0].startswith(start) and "what lies beyond move" in each[0] for each in told]
    at_least(0.8, right)


def test_one_window_out_of_level_is_told_and_checked_against_its_neighbours():
    for item in only(lists(HOUSE, shift(floor("first", 3), 0, 3)), "Raise window 3 of the first floor (19) "):
        assert "belongs level with" in item.check


def test_a_whole_row_a_block_and_a_column_are_one_item_each():
    only(lists(HOUSE, shift(floor("first", 1, 2, 3, 4, 5), 0, 3)), "Raise the windows of the first floor ")
    everything = floor("first", 1, 2, 3, 4, 5) + floor("ground", 1, 2, 3, 4, 5)
    only(lists(HOUSE, shift(everything, 0, 3)), "Raise the windows of the front ")
    only(lists(HOUSE, shift(floor("first", 3) + floor("ground", 3), 2.5, 0)), "Move window column 3 left ")


def test_windows_of_one_size_too_wide():
    def change(name, points):
        return points.mean(0) + (points - points.mean(0)) * [1.25, 1.0] if "first floor" in name else points

    for item in only(lists(HOUSE, change), "Narrow the windows of the first floor 2"):
        assert "each" in item.text
        assert item.check == "Once right, each measures 9 mm across."


def test_a_row_needs_no_numbers_in_its_names():
    names = ("oriel", "door", "bay", "gate", "hatch")
    row = Row("openings of the first floor", names, HOUSE.rows[0].items, "across")
    told = texts(lists(_with(HOUSE, rows=(row,)), GAP, seeds=range(4)))
    for each in told:
        assert each[0].startswith("Narrow the gap between the door and the bay 3 mm; the gate and the hatch move left with it")


# ---------------------------------------------------------------- proportions and blocks


@pytest.mark.parametrize(("off", "verb"), [(5, "Narrow"), (-5, "Widen")])
@pytest.mark.parametrize("subject", [HOUSE, PLAIN], ids=["lengths, columns", "plain"])
def test_a_front_too_wide_is_one_item_and_pushes_the_rest(off, verb, subject):
    for item in only(lists(subject, wider(off)), f"{verb} the front "):
        assert amount(item.text) == pytest.approx(5, abs=0.6)
        assert "right side" in item.text or "left side" in item.text
        assert item.stage == "proportion"


def test_a_front_too_wide_beside_nothing_names_its_side():
    """A front with a side on its left only: its right corner was drawn too far out, over free paper."""
    names = [each.name for each in HOUSE.features if "right side" not in each.part]
    subject = _with(
        HOUSE,
        features=tuple(each for each in HOUSE.features if each.name in names),
        groups=(*HOUSE.groups[:4], Group("house/left side", "side on the left", "proportion")),
        meetings=HOUSE.meetings[:1],
        junctions=(),
    )
    told = texts(lists(subject, wider(5)))
    at_least(0.85, [len(each) <= 2 and any("front" in text and "right side" in text for text in each) for each in told])


def test_a_side_moved_as_a_block():
    names = [each.name for each in HOUSE.features if "right side" in each.part]
    found = lists(HOUSE, shift(names, 0, 3.5), seeds=range(10))
    assert all(len(shown) + len(later) == 1 for shown, later, _ in found)
    raised = [shown[0] for shown, _, _ in found if shown and shown[0].text.startswith("Raise the side on the right ")]
    assert len(raised) >= 0.9 * len(found)
    for item in raised:
        assert item.move_mm[1] == pytest.approx(-3.5, abs=0.6)


# ---------------------------------------------------------------- single lines and their corners


@pytest.mark.parametrize("subject", [HOUSE, PLAIN], ids=["lengths, columns", "plain"])
def test_a_corner_moved_is_one_item_though_its_neighbours_end_elsewhere(subject):
    for item in only(lists(subject, shift("left corner of the front", 3, 0)), "Move the left corner of the front "):
        assert amount(item.text) == pytest.approx(3, abs=0.6)
        assert item.move_mm[0] == pytest.approx(-3, abs=0.6)
        assert item.explains == ("left corner of the front",)


def test_slopes_are_told_by_both_angles():
    for item in only(
        lists(HOUSE, lean("left roof slope", 4, 0.0)), "Steepen the left roof slope (7): 38 degrees in the picture, 3"
    ):
        assert re.search(r"3[345] drawn", item.text)


def test_a_level_line_names_the_end_that_moves():
    for item in only(lists(HOUSE, lean("foot of the front", 2.5, 0.0)), "Level the foot of the front (4): right end up "):
        assert item.check == "Its left end and its right end belong level."


def test_what_is_not_drawn_raises_nothing():
    missing = ("foot of the front", "ridge", "eaves of the left side", "right outer corner", *floor("ground", 1, 2, 3, 4, 5))
    assert sum(len(each) for each in texts(lists(HOUSE, missing=missing))) == 0
    told = texts(lists(HOUSE, LEANING, GAP, missing=missing))
    at_least(0.9, [len(each) == 2 for each in told])


def test_everything_at_once_is_told_in_the_order_of_work():
    found = lists(HOUSE, aimed("left", 0, -6), aimed("right", 0, -6), LEANING, GAP, lean("left roof slope", 5, 0.0))
    at_least(0.9, [len(shown) + len(later) == 4 for shown, later, _ in found])
    for shown, _, _ in found:
        assert shown[0].text.startswith("Lower the eye level")
        [gap] = [each for each in shown if each.text.startswith("Narrow the gap between windows 2 and 3")]
        # It comes second by its stage, unless it is below twice its limit: then after all that is not.
        assert gap.rank == 2 or gap.size < 2.0


def _gabled() -> Subject:
    """The house with two slopes that meet in a peak instead of its hipped roof."""
    peak = np.array([500.0, 90.0])
    features = []
    for each in HOUSE.features:
        if each.name != "ridge":
            slope = each.name.endswith("roof slope")
            features.append(replace(each, points=np.array([each.points[0], peak])) if slope else each)
    corners = tuple(each for each in HOUSE.junctions if not any("ridge" in name for name, _ in each.ends))
    peaked = Junction("peak of the roof", (("left roof slope", -1), ("right roof slope", -1)))
    return _with(HOUSE, features=tuple(features), junctions=(*corners, peaked))


def _peak(x: float, y: float):
    def change(name, points):
        if not name.endswith("roof slope"):
            return points
        return points + np.array([[0.0, 0.0], [x, y]])

    return change


@pytest.mark.parametrize(("off", "verb"), [(4, "Raise"), (-4, "Lower")])
def test_a_peak_too_low_or_high_is_one_corner_and_the_feet_stay(off, verb):
    for item in only(lists(_gabled(), _peak(0, off)), f"{verb} the peak of the roof "):
        assert amount(item.text) == pytest.approx(4, abs=0.6)
        assert "mm; the lower ends of the left roof slope (6) and the right roof slope (7) stay" in item.text
        assert item.kind == "corner"
        assert item.move_mm == pytest.approx((0, -off), abs=0.6)
        assert item.explains == ("left roof slope", "right roof slope")
        [(_, move)] = item.arrows
        assert move == item.move_mm


def test_a_peak_off_to_one_side_is_moved_there():
    for item in only(lists(_gabled(), _peak(5, 0)), "Move the peak of the roof "):
        assert "mm left; the lower ends of " in item.text
        assert item.move_mm == pytest.approx((-5, 0), abs=0.8)


def test_one_steep_slope_of_a_gable_is_no_peak_in_the_wrong_place():
    for told in texts(lists(_gabled(), lean("left roof slope", 4, 0.0))):
        assert not any("peak" in each for each in told)
        assert any("left roof slope" in each for each in told)


# ---------------------------------------------------------------- the whole turned


def test_a_leaning_corner_in_a_turned_drawing_is_still_the_only_item():
    for turn in (-2, 2, 6):
        items = [each for lines in texts(lists(PLAIN, LEANING, seeds=range(4), turn=turn)) for each in lines]
        assert len(items) == 4
        assert all("left corner of the front" in each for each in items)


def test_mirrored_houses_give_mirrored_lists():
    """The kit's house is its own mirror image: an error on one side reads as on the other with left and right exchanged."""
    one = texts(lists(PLAIN, aimed("left", 9, 0), seeds=range(3)))
    other = texts(lists(PLAIN, aimed("right", -9, 0), seeds=range(3)))
    for a, b in zip(one, other, strict=True):
        assert a[0].split(":")[0].replace("left", "right") == b[0].split(":")[0]


# ---------------------------------------------------------------- speed


def test_a_house_takes_well_under_a_second():
    """The engine tries every sentence on every measure; a house of 30 features takes well under half a second."""
    drawing = draw(HOUSE, LEANING, GAP, EAVES)
    drawing.corrections()
    start = time.process_time()
    drawing.corrections()
    assert time.process_time() - start < 0.5


def test_meeting_points_of_the_kit_lie_where_its_lines_meet():
    """The kit against geometry: both ends of every receding line and its point are in line."""
    matrix = similarity_matrix(0.175, 0.0, (0.0, 0.0))
    for meeting in HOUSE.meetings:
        at = apply(matrix, meeting.at[None])[0]
        side = meeting.label.rsplit(" ", 1)[1]
        assert meeting.at == pytest.approx(POINTS[side])
        for name in meeting.members:
            a, b = apply(matrix, HOUSE.feature(name).points)
            assert abs((b - a)[0] * (at - a)[1] - (b - a)[1] * (at - a)[0]) < 1e-6
