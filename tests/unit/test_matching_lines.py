"""Straight features: the line fitted to what was drawn, its corners, its neighbours, and what is not drawn."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from featurediff.errors import RegistrationError
from featurediff.matching.frame import make_frame, working_size
from featurediff.matching.match import match
from featurediff.matching.register import register
from featurediff.records import Feature, Junction, Subject

PX_PER_MM = 6.0
# Two reference px to the drawing's three: the reference is 150 mm wide as drawn.
SCALE = 1.5
MOVE = np.array([90.0, 60.0])
CORNERS = {"tl": (150, 150), "tr": (480, 150), "br": (480, 480), "bl": (150, 480)}
SIDES = {"top": ("tl", "tr"), "right": ("tr", "br"), "bottom": ("br", "bl"), "left": ("bl", "tl"), "rail": ("ml", "mr")}
PANES = [(200 + 90 * column, 200 + 130 * row) for row in range(2) for column in range(3)]


def corners(**moved):
    """The frame's corners and the rail's two ends, reference px; ``moved``: name=(dx, dy)."""
    every = {**CORNERS, "ml": (150, 300), "mr": (480, 300)}
    return {name: np.add(at, moved.get(name, (0, 0))).astype(float) for name, at in every.items()}


def pane(at):
    return np.array([at, (at[0] + 40, at[1]), (at[0] + 40, at[1] + 70), (at[0], at[1] + 70)], float)


def subject(panes=True):
    """A square frame with a rail across and six panes; the frame's corners are junctions, the rail ends on the sides."""
    at = corners()
    features = [
        Feature(name, f"frame/{name}", "segment", np.array([at[a], at[b]]), measures=("across", "tilt"), slides=name == "rail")
        for name, (a, b) in SIDES.items()
    ]
    if panes:
        features += [Feature(f"pane {k + 1}", f"frame/panes/{k + 1}", "curve", pane(p), closed=True) for k, p in enumerate(PANES)]
    joined = {}
    for name, ends in list(SIDES.items())[:4]:
        for end, corner in zip((0, -1), ends, strict=True):
            joined.setdefault(corner, []).append((name, end))
    junctions = tuple(Junction(corner, tuple(ends)) for corner, ends in joined.items())
    region = np.array([CORNERS[name] for name in ("tl", "tr", "br", "bl")], float)
    return Subject(tuple(features), 330.0, "height of the frame", region, junctions=junctions)


def picture(lines, size, thickness):
    """White paper (h, w) with dark lines [(n, 2)], grain, float32 in 0..1."""
    grey = np.full(size, 235, np.uint8)
    for line in lines:
        cv2.polylines(grey, [np.round(np.asarray(line) * 16).astype(np.int32)], False, 60, thickness, cv2.LINE_AA, 4)
    rng = np.random.default_rng(0)
    return (grey / 255.0 + rng.normal(0, 0.008, size)).astype(np.float32)


def reference(extra=()):
    at = corners()
    lines = [[at[a], at[b]] for a, b in SIDES.values()] + [np.vstack([pane(p), pane(p)[:1]]) for p in PANES]
    return picture([*lines, *extra], (640, 640), 2)


def on_sheet(points):
    return np.asarray(points, float) * SCALE + MOVE


def in_mm(points):
    return (on_sheet(points) + 0.5) / PX_PER_MM


def drawing(at, without=(), overshoot=0.0, wobble=0.0, short=0.0, panes=True, extra=()):
    """The frame as drawn: ``at`` as of `corners`, lengths in drawing px; ``extra``: further lines in reference px."""
    rng = np.random.default_rng(1)
    lines = []
    for name, (a, b) in SIDES.items():
        if name in without:
            continue
        start, end = on_sheet([at[a]])[0], on_sheet([at[b]])[0]
        span = (end - start) / np.hypot(*(end - start))
        start, end = start + (short - overshoot) * span, end + (overshoot - short) * span
        t = np.linspace(0, 1, 40)[:, None]
        waves = np.sin(2 * np.pi * (3 * t + rng.random())) + np.sin(2 * np.pi * (5 * t + rng.random()))
        lines.append(start + t * (end - start) + wobble * waves * [-span[1], span[0]])
    if panes:
        lines += [on_sheet(np.vstack([pane(p), pane(p)[:1]])) for p in PANES]
    return picture([*lines, *(on_sheet(line) for line in extra)], (1260, 1260), 3)


def found_in(sheet, of=None):
    shown = [f.points for f in of.features if f.name == "second rail"] if of else []
    _, located = match(of or subject(), reference(shown), sheet, PX_PER_MM, ())
    return {place.feature: place for place in located}


def across_and_turn(place, ends):
    """Offset in mm of the located middle across the line through ``ends`` (reference px), and the angle between both, degrees."""
    true = in_mm(ends)
    span = (true[1] - true[0]) / np.hypot(*(true[1] - true[0]))
    seen = place.points_mm[1] - place.points_mm[0]
    offset = (place.points_mm.mean(0) - true.mean(0)) @ [-span[1], span[0]]
    return offset, np.degrees(np.arctan2(span[0] * seen[1] - span[1] * seen[0], span @ seen))


def test_a_line_that_leans_is_found_with_its_lean():
    at = corners(tr=(0, 10), tl=(0, -4))
    found = found_in(drawing(at))
    for name, (a, b) in SIDES.items():
        offset, turn = across_and_turn(found[name], [at[a], at[b]])
        assert abs(offset) < 0.3, name
        assert abs(turn) < 0.3, name


def test_the_located_line_is_straight_where_the_hand_wobbles():
    at = corners(br=(8, 0))
    found = found_in(drawing(at, wobble=1.5))
    for name, (a, b) in SIDES.items():
        offset, turn = across_and_turn(found[name], [at[a], at[b]])
        assert abs(offset) < 0.4 and abs(turn) < 0.5, (name, offset, turn)


@pytest.mark.parametrize("ends", [{"overshoot": 18.0}, {"short": 15.0}], ids=["too long", "too short"])
def test_corners_are_where_the_lines_meet_however_long_they_were_drawn(ends):
    at = corners(tr=(7, -5))
    found = found_in(drawing(at, **ends))
    for name, ends_of in list(SIDES.items())[:4]:
        miss = np.hypot(*(found[name].points_mm - in_mm([at[k] for k in ends_of])).T)
        assert miss.max() < 0.5, (name, miss)


def test_a_corner_whose_other_line_is_missing_stays_open():
    at = corners(tl=(0, 0))
    found = found_in(drawing(at, without=("top",)))
    assert not found["top"].found and found["top"].why
    assert found["left"].found
    offset, turn = across_and_turn(found["left"], [at["bl"], at["tl"]])
    assert abs(offset) < 0.3 and abs(turn) < 0.3


def test_a_line_not_drawn_is_not_found_though_others_cross_its_place():
    uprights = [[(x, 180), (x, 440)] for x in (190, 260, 350, 420)]
    found = found_in(drawing(corners(), without=("rail",), extra=uprights))
    assert not found["rail"].found
    assert found["top"].found and found["left"].found


def test_the_stated_uncertainty_grows_with_the_wobble_and_shrinks_with_length():
    calm, shaky = found_in(drawing(corners())), found_in(drawing(corners(), wobble=3.0))
    assert shaky["top"].point_sigma_mm.mean() > calm["top"].point_sigma_mm.mean()
    assert all(place.point_sigma_mm.max() < 1.0 for place in calm.values() if place.found)


def test_panes_do_not_lock_on_to_their_neighbours():
    found = found_in(drawing(corners()))
    for k, at in enumerate(PANES):
        miss = found[f"pane {k + 1}"].points_mm - in_mm(pane(at))
        assert np.hypot(*miss.mean(0)) < 0.3
        assert np.abs(np.ptp(found[f"pane {k + 1}"].points_mm, axis=0) - np.ptp(in_mm(pane(at)), axis=0)).max() < 0.6


def test_a_symmetrical_subject_is_not_taken_for_its_mirror_image():
    sheet = drawing(corners())
    matrix = register(subject(), reference(), sheet, ()).matrix
    assert np.allclose(matrix[:2, :2], SCALE * np.eye(2), atol=0.03)


def test_blank_paper_is_refused():
    with pytest.raises(RegistrationError):
        match(subject(), reference(), picture([], (1260, 1260), 3), PX_PER_MM, ())


@pytest.mark.parametrize("wide", [1, 4, 12])
def test_the_frame_stays_bounded_however_wide_the_subject(wide):
    base = subject()
    stretched = replace(base, region=base.region * [wide, 1.0])
    frame = make_frame(stretched, 600.0)
    assert frame.shape[0] * frame.shape[1] < 1.2e6
    assert working_size(stretched) >= base.size_px


def beside(gap):
    """The subject with one more line, ``gap`` reference px below the rail."""
    of = subject()
    twin = Feature(
        "second rail", "frame/second_rail", "segment", np.array([(150.0, 300.0 + gap), (480.0, 300.0 + gap)]), slides=True
    )
    return replace(of, features=(*of.features, twin))


@pytest.mark.parametrize("drop", [-5, 5])
def test_two_lines_side_by_side_are_told_apart_when_both_moved_by_half_their_gap(drop):
    of = beside(10.0)
    at = corners(ml=(0, drop), mr=(0, drop))
    twin = np.array([(150.0, 310.0 + drop), (480.0, 310.0 + drop)])
    found = found_in(drawing(at, extra=[twin]), of)
    for name, ends in {"rail": [at["ml"], at["mr"]], "second rail": twin}.items():
        offset, _ = across_and_turn(found[name], ends)
        assert abs(offset) < 0.4, (name, offset)


def test_one_drawn_line_is_not_two():
    found = found_in(drawing(corners()), beside(10.0))
    assert found["rail"].found
    assert not found["second rail"].found and "two lines" in found["second rail"].why
