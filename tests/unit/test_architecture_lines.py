"""Lines, directions, fronts, corners and names of the architecture detector on pictures drawn for the purpose."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from featurediff_architecture.choose import Candidates, choose
from featurediff_architecture.classify import LEFT, LEVEL, RIGHT, SLOPE, VERTICAL, classify
from featurediff_architecture.clutter import find_ground, tangled
from featurediff_architecture.curves import along_arcs, find_arcs
from featurediff_architecture.detector import ArchitectureDetector
from featurediff_architecture.directions import find_directions
from featurediff_architecture.joints import find_joints, in_order
from featurediff_architecture.segments import Lines, find_lines, raw_segments
from featurediff_architecture.vocabulary import counted
from featurediff_architecture.working import working_copy

from featurediff.api import Picture, SubjectError
from featurediff.errors import ConfigError

SKY, GROUND = (205, 220, 240), (110, 112, 105)
WALL, SHADE, ROOF = (190, 170, 140), (140, 125, 105), (120, 60, 50)


def as_lines(ends):
    ends = np.asarray(ends, float).reshape(-1, 2, 2)
    n = len(ends)
    return Lines(ends, np.full(n, 10.0), np.ones(n), np.zeros(n))


def blank(w=1200, h=900):
    picture = np.full((h, w, 3), SKY, np.uint8)
    picture[int(0.8 * h) :] = GROUND
    return picture


def fill(picture, points, colour):
    cv2.fillPoly(picture, [np.round(np.array(points) * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)


def gabled_house():
    """A house seen square on: walls 300..900 x 350..750, a roof with ridge 400..800 at 200, a storey line, no windows."""
    picture = blank()
    fill(picture, [(300, 350), (900, 350), (900, 750), (300, 750)], WALL)
    fill(picture, [(400, 200), (800, 200), (920, 350), (280, 350)], ROOF)
    fill(picture, [(300, 545), (900, 545), (900, 562), (300, 562)], SHADE)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def corner_house():
    """A house whose corner points at us: vanishing points (-600, 520) and (1900, 520), corner at x 600."""
    picture = blank()
    top, foot = np.array([600.0, 200.0]), np.array([600.0, 780.0])

    def towards(start, vanishing, x):
        return start + (np.array(vanishing) - start) * (x - start[0]) / (vanishing[0] - start[0])

    left, right = (-600.0, 520.0), (1900.0, 520.0)
    fill(picture, [top, foot, towards(foot, left, 250), towards(top, left, 250)], WALL)
    fill(picture, [top, foot, towards(foot, right, 1000), towards(top, right, 1000)], SHADE)
    for y in (330.0, 470.0, 620.0):
        for vanishing, x, colour in ((left, 250, SHADE), (right, 1000, ROOF)):
            a, b = np.array([600.0, y]), np.array([600.0, y + 16])
            fill(picture, [a, b, towards(b, vanishing, x), towards(a, vanishing, x)], colour)
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def find(pixels, **settings):
    return ArchitectureDetector().find(Picture(pixels, "house.png"), settings)


def test_a_plain_house_is_told_in_a_few_named_lines():
    subject = find(gabled_house())
    names = {feature.name for feature in subject.features}
    assert {"left outer corner", "right outer corner", "left roof slope", "right roof slope", "ridge"} <= names
    assert any("storey line" in name for name in names)
    assert len(subject.features) < 14
    assert len(names) == len(subject.features)
    assert subject.numbered


def test_lines_lie_where_they_were_drawn():
    subject = find(gabled_house())
    corner = subject.feature("right outer corner")
    assert corner.points[:, 0] == pytest.approx([900.4, 900.4], abs=1.0)
    ridge = subject.feature("ridge")
    assert ridge.points[:, 1] == pytest.approx([200, 200], abs=1.0)
    slope = subject.feature("left roof slope").points
    assert slope[slope[:, 0].argsort()] == pytest.approx(np.array([[280, 350], [400, 200]]), abs=3.0)


def test_corners_join_lines_and_make_ends_real():
    subject = find(gabled_house())
    joined = {frozenset(name for name, _ in junction.ends) for junction in subject.junctions}
    assert frozenset({"ridge", "left roof slope"}) in joined or any({"ridge", "left roof slope"} <= each for each in joined)
    ridge = subject.feature("ridge")
    assert not ridge.slides and "width" in ridge.measures
    for junction in subject.junctions:
        at = np.array([subject.feature(name).points[end] for name, end in junction.ends])
        assert np.ptp(at, axis=0).max() < 0.01 * subject.size_px


def test_two_fronts_meet_at_their_corner_and_at_two_vanishing_points():
    subject = find(corner_house())
    assert subject.feature("corner between the fronts").points[:, 0] == pytest.approx([600, 600], abs=1.5)
    at = {meeting.label: meeting.at for meeting in subject.meetings}
    assert at["lines that recede to the left"] == pytest.approx([-600, 520], rel=0.03)
    assert at["lines that recede to the right"] == pytest.approx([1900, 520], rel=0.03)
    for meeting in subject.meetings:
        assert meeting.level and len(meeting.members) > 1
        assert all(subject.feature(name).kind == "segment" for name in meeting.members)


def test_parts_make_groups():
    subject = find(corner_house())
    for group in subject.groups:
        members = [f for f in subject.features if f.part == group.part or f.part.startswith(group.part + "/")]
        assert len(members) > 1, group.part
    assert len({feature.part for feature in subject.features}) == len(subject.features)


def test_names_and_places_do_not_depend_on_the_size_of_the_picture():
    small = gabled_house()
    large = cv2.resize(small, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
    one, other = find(small), find(large)
    shared = {f.name for f in one.features} & {f.name for f in other.features}
    assert len(shared) >= 0.8 * len(one.features)
    for name in shared:
        a, b = one.feature(name).points, other.feature(name).points
        assert (a + 0.5) * 2.5 - 0.5 == pytest.approx(b, abs=8.0)


def test_the_same_picture_gives_the_same_subject():
    one, other = find(corner_house()), find(corner_house())
    assert [f.name for f in one.features] == [f.name for f in other.features]
    assert all(np.array_equal(a.points, b.points) for a, b in zip(one.features, other.features, strict=True))


# ---------------------------------------------------------------- refusals


def test_what_shows_no_building_is_refused_with_a_remedy():
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 255, (600, 800, 3)).astype(np.uint8)
    face = np.full((600, 500, 3), 170, np.uint8)
    cv2.ellipse(face, (250, 300), (140, 190), 0, 0, 360, (225, 180, 160), -1, cv2.LINE_AA)
    for pixels in (noise, face, np.full((400, 500, 3), 128, np.uint8)):
        with pytest.raises(SubjectError, match=r"house\.png.*building fills"):
            find(pixels)


def test_a_setting_that_can_not_be_used_is_told():
    with pytest.raises(ConfigError, match="true or false"):
        find(gabled_house(), straighten_verticals="yes")


# ---------------------------------------------------------------- straightened verticals


def leaning(pixels, lean=0.00018):
    """``pixels`` as a camera that looks up sees them: narrower towards the top."""
    h, w = pixels.shape[:2]
    keystone = np.array([[1, 0, -w / 2], [0, 1, -h], [0, 0, 1.0]])
    squeeze = np.array([[1, 0, 0], [0, 1, 0], [0, -lean, 1.0]])
    return cv2.warpPerspective(pixels, np.linalg.inv(keystone) @ squeeze @ keystone, (w, h), borderMode=cv2.BORDER_REPLICATE)


def lean_of(subject, name):
    run = np.ptp(subject.feature(name).points, axis=0)
    return np.degrees(np.arctan2(run[0], run[1]))


def test_converging_verticals_are_told_and_straightened_on_request():
    picture = Picture(leaning(gabled_house()), "house.png")
    detector = ArchitectureDetector()
    plain = detector.find(picture, {})
    assert any("looked up" in note.text for note in plain.advice)
    assert lean_of(plain, "left outer corner") > 2.0
    settings = {"straighten_verticals": True}
    straight = detector.prepare(picture, settings)
    assert straight.name == picture.name
    subject = detector.find(straight, settings)
    assert lean_of(subject, "left outer corner") < 0.2
    assert lean_of(subject, "right outer corner") < 0.2
    assert not any("looked" in note.text for note in subject.advice)


def test_nothing_is_straightened_unasked():
    picture = Picture(leaning(gabled_house()), "house.png")
    assert ArchitectureDetector().prepare(picture, {}) is picture


# ---------------------------------------------------------------- pieces


def test_classes_by_vanishing_points():
    found = find_directions(find_lines(working_copy(corner_house())), (1200, 900))
    lines = as_lines([[[600, 300], [600, 700]], [[300, 360], [500, 300]], [[700, 300], [900, 340]], [[650, 800], [750, 700]]])
    # Towards (-600, 520) from (400, 330): down to the left; towards (1900, 520) from (800, 320).
    lines.ends[1] = [[400, 330], [300, 349]]
    lines.ends[2] = [[800, 320], [910, 340]]
    kinds, aims = classify(lines, found)
    assert kinds.tolist() == [VERTICAL, LEFT, RIGHT, SLOPE]
    assert aims[0] == aims[3] == -1 and aims[1] != aims[2]


def test_foliage_is_tangled_and_walls_are_not():
    rng = np.random.default_rng(2)
    picture = gabled_house()
    for _ in range(900):
        at = rng.uniform([20, 420], [260, 700])
        shift = rng.normal(0, 14, 2)
        cv2.line(
            picture, at.astype(int).tolist(), (at + shift).astype(int).tolist(), rng.integers(20, 120, 3).tolist(), 2, cv2.LINE_AA
        )
    working = working_copy(picture)
    lines = find_lines(working)
    ground = find_ground(working, lines)
    away = tangled(lines, ground, 1200)
    in_tree = (lines.middle[:, 0] < 250) & (lines.middle[:, 1] > 430) & (lines.middle[:, 1] < 690)
    on_house = (lines.middle[:, 0] > 300) & (lines.length > 60)
    assert in_tree.sum() > 10 and away[in_tree].mean() > 0.8
    assert not away[on_house].any()
    middles = np.array([f.points.mean(0) for f in find(picture).features])
    assert not ((middles[:, 0] < 270) & (middles[:, 1] > 430) & (middles[:, 1] < 700)).any()


def test_a_line_goes_on_behind_a_chimney_and_doubles_are_one():
    ends = [[[100, 200], [400, 200]], [[440, 200.5], [900, 201]], [[100, 208], [900, 208]], [[100, 500], [900, 500]]]
    n = len(ends)
    lines = as_lines(ends)
    sky = np.tile([1.0, 0.0], (n, 1))
    sky[2:] = 0.0
    found = Candidates(lines, np.array([LEVEL] * n, object), np.zeros(n, int), sky, np.full(n, 30.0), np.zeros(n))
    chosen = choose(found, 800.0, np.full(n, 800.0))
    assert len(chosen) == 2
    top = chosen.lines.ends[chosen.lines.middle[:, 1] < 300][0]
    assert sorted(top[:, 0]) == pytest.approx([100, 900], abs=1.0)


def test_joints_need_lines_that_cross_where_they_end():
    lines = as_lines([[[100, 100], [100, 398]], [[103, 400], [500, 400]], [[300, 100], [300, 300]], [[95, 250], [290, 250]]])
    ends, joints = find_joints(lines, 400.0)
    assert [joint.ends for joint in joints] == [((0, 1), (1, 0))]
    assert joints[0].at == pytest.approx([100, 400])
    # The fourth line only runs up to the first: its end is laid on it, which makes no corner.
    assert ends[3, 0] == pytest.approx([100, 250])
    assert ends[3, 1] == pytest.approx([290, 250])


def test_ends_run_from_the_upper_or_left_one():
    lines = as_lines([[[100, 398], [100, 100]], [[500, 400], [103, 400]]])
    ends, joints = in_order(*find_joints(lines, 400.0))
    assert ends[0, 0, 1] < ends[0, 1, 1] and ends[1, 0, 0] < ends[1, 1, 0]
    assert joints[0].ends == ((0, 1), (1, 0))


def test_a_dome_is_one_arc_and_its_pieces_are_no_lines():
    picture = blank()
    cv2.ellipse(picture, (600, 400), (180, 200), 0, 180, 360, (150, 90, 80), -1, cv2.LINE_AA)
    picture[400:720, 420:780] = WALL
    working = working_copy(cv2.GaussianBlur(picture, (0, 0), 0.8))
    raw = raw_segments(working.grey)
    ground = find_ground(working, find_lines(working))
    arcs = find_arcs(raw, working, ground, (np.array([420.0, 200.0]), np.array([780.0, 720.0])), 520.0)
    assert len(arcs) == 1 and arcs[0].sky
    off = np.hypot((arcs[0].points[:, 0] - 600) / 180, (arcs[0].points[:, 1] - 400) / 200) - 1
    assert np.abs(off).max() < 0.02
    assert arcs[0].rise == pytest.approx(200 / 360, abs=0.06)
    a = np.radians(np.array([[200, 215], [300, 315]]))
    chords = np.stack([600 + 180 * np.cos(a), 400 + 200 * np.sin(a)], -1)
    assert along_arcs(chords, arcs).all()
    assert not along_arcs(np.array([[[420.0, 450], [420, 700]]]), arcs).any()


def test_names_count_from_the_left_and_the_top():
    assert counted("storey line", "on the left", "y", 0, 1) == "storey line on the left"
    assert counted("storey line", "on the left", "y", 0, 2) == "upper storey line on the left"
    assert counted("storey line", "", "y", 1, 3) == "middle storey line"
    assert counted("vertical", "", "x", 1, 4) == "second vertical from the left"
    assert counted("storey line", "on the right", "y", 3, 5) == "fourth storey line from the top, on the right"
