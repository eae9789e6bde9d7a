"""Openings as records: storeys, columns, names, what is left out."""

import numpy as np
import pytest
from featurediff_architecture.rhythm import Facade, columns, numbers_in_row, rhythm_of, storeys
from featurediff_architecture.spacing import equal_steps
from featurediff_architecture.windows import Opening


def opening(left, top, wide=10.0, high=16.0, kind="window", arched=False):
    box = (left, top, left + wide, top + high)
    corners = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])
    outline = corners
    if arched:
        a = np.linspace(np.pi, 2 * np.pi, 17)
        head = np.column_stack([left + wide / 2 + wide / 2 * np.cos(a), top + wide / 2 + wide / 2 * np.sin(a)])
        outline = np.vstack([head, corners[2:]])
    return Opening(outline, kind, box, 1.0, corners)


def house(columns_=4, rows=3):
    found = [opening(20.0 + 30 * c, 10.0 + 40 * r) for r in range(rows) for c in range(columns_)]
    return (*found, opening(145.0, 90.0, 12.0, 30.0, "door"))


def test_storeys_are_counted_from_the_bottom_and_windows_from_the_left():
    rhythm = rhythm_of([Facade("building/front", house())])
    by_name = {f.name: f for f in rhythm.features}
    assert len(by_name) == 13 == len(rhythm.features)
    low, high = by_name["window 1 of the ground floor"], by_name["window 4 of the second floor"]
    assert low.points[0] == pytest.approx([20, 90]) and high.points[0] == pytest.approx([110, 10])
    assert low.part == "building/front/windows/floor 0/window 1"
    assert by_name["door"].importance == 0.6 and low.importance == 0.5
    assert all(f.closed and not f.slides and f.kind == "curve" and f.tolerance == "B" for f in rhythm.features)
    assert low.anchors["bottom left corner"] == 3


def test_rows_run_along_storeys_down_columns_and_over_columns():
    rhythm = rhythm_of([Facade("building/front", house())])
    rows = {r.label: r for r in rhythm.rows}
    assert rows["windows of the first floor"].direction == "across"
    assert rows["windows of the first floor"].items[2] == ("window 3 of the first floor",)
    third = rows["third window column"]
    assert third.direction == "down" and third.items[0] == ("window 3 of the second floor",)
    over = rows["window columns"]
    assert over.names == ("window column 1", "window column 2", "window column 3", "window column 4")
    assert over.items[1] == tuple(f"window 2 of the {floor} floor" for floor in ("second", "first", "ground"))
    assert rows["storeys"].direction == "down" and len(rows["storeys"].items) == 3
    names = {f.name for f in rhythm.features}
    assert all(name in names for row in rhythm.rows for item in row.items for name in item)
    parts = [f.part for f in rhythm.features]
    assert all(any(p.startswith(g.part + "/") for p in parts) for g in rhythm.groups)


def test_two_facades_keep_their_names_apart():
    both = [
        Facade("building/left", house(3, 2), "on the left front"),
        Facade("building/right", house(2, 2), "on the right front"),
    ]
    rhythm = rhythm_of(both)
    names = [f.name for f in rhythm.features]
    assert len(set(names)) == len(names)
    assert "window 2 of the first floor on the right front" in names and "door on the left front" in names
    assert len({r.label for r in rhythm.rows}) == len(rhythm.rows)


def test_arches_of_an_arcade():
    found = [opening(30.0 * c, 50.0, 20.0, 40.0, "arch", arched=True) for c in range(3)] + [
        opening(5.0 + 30 * c, 10.0) for c in range(3)
    ]
    rhythm = rhythm_of([Facade("building/front", tuple(found))])
    arch = next(f for f in rhythm.features if f.name == "arch 2 of the ground floor")
    assert arch.points.shape == (19, 2)
    assert arch.points[arch.anchors["crown"]] == pytest.approx([40, 50])
    assert arch.points[arch.anchors["left springing"]] == pytest.approx([30, 60])
    assert {r.label for r in rhythm.rows} >= {"arches of the ground floor", "windows of the first floor"}


def test_too_many_are_thinned_and_said():
    found = tuple(opening(12.0 * c, 30.0 * r, 6.0, 10.0 + r) for r in range(5) for c in range(12))
    rhythm = rhythm_of([Facade("building/front", found)])
    assert 12 <= len(rhythm.features) <= 24
    left_out = sum(n.feature.count(",") + 1 if "," in n.feature else 12 for n in rhythm.not_judged)
    assert left_out + len(rhythm.features) >= 60 - 5
    assert all(n.why for n in rhythm.not_judged)
    kept = {f.name for f in rhythm.features}
    assert all(name in kept for row in rhythm.rows for item in row.items for name in item)


def test_nothing_gives_nothing():
    rhythm = rhythm_of([])
    assert rhythm.features == () and rhythm.rows == ()
    assert rhythm_of([Facade("building/front", ())]).features == ()


def test_a_wandering_storey_is_one_storey():
    boxes = np.array([[0, 10, 10, 30], [20, 13, 30, 31], [40, 8, 50, 29], [2, 60, 12, 82]], float)
    assert storeys(boxes) == [[3], [0, 1, 2]]
    assert columns(boxes) == [[0, 3], [1], [2]]


def test_equal_steps_see_a_missing_place():
    steps = equal_steps(np.array([10.0, 20.2, 39.9, 50.0]))
    assert steps.number == (0, 1, 3, 4) and steps.missing == (2,)
    assert steps.step == pytest.approx(10.0, abs=0.1)
    assert equal_steps(np.array([0.0, 10.0, 23.0, 31.0])) is None
    assert equal_steps(np.array([0.0, 10.0])) is None


def test_a_hidden_window_is_counted_and_a_door_or_a_blank_wall_is_not():
    upper = np.array([[x, 10, x + 10, 26] for x in (20, 50, 80, 110, 140)], float)
    lower = upper[[0, 1, 3, 4]] + [0, 40, 0, 40]
    nothing = np.zeros((0, 4))
    assert numbers_in_row(lower, upper, nothing) == [1, 2, 4, 5]
    assert numbers_in_row(lower, upper, np.array([[79.0, 45, 92, 80]])) == [1, 2, 3, 4]
    assert numbers_in_row(lower, nothing, nothing) == [1, 2, 3, 4]
    assert numbers_in_row(upper, lower, nothing) == [1, 2, 3, 4, 5]
