"""The still-life detector on painted tables whose outlines are known."""

from __future__ import annotations

import os

import cv2
import numpy as np
import pytest
from featurediff_still_life.detector import StillLifeDetector
from PIL import Image
from still_life_pictures import Vessel, as_picture, away, bird, ellipse, empty_table, finished, paint, pear, shadow

from featurediff.api import STAGES, SubjectError
from featurediff.errors import ConfigError


def find(pixels, **settings):
    return StillLifeDetector().find(as_picture(pixels), settings)


def names(subject):
    return [feature.name for feature in subject.features]


@pytest.fixture(scope="module")
def jar():
    picture = empty_table()
    vessel = Vessel(430, 200, 520, 90, 150, 80).put(picture)
    return vessel, finished(picture)


@pytest.fixture(scope="module")
def group():
    """A jar, a pear in front of it on its right, and a ball of fruit apart on the left."""
    picture = empty_table()
    vessel = Vessel(480, 180, 520, 80, 140, 75).put(picture)
    front = pear(610, 590, 210)
    paint(picture, front, (190, 195, 70))
    ball = ellipse((180, 500), 80, 76)
    paint(picture, ball, (190, 70, 50))
    return vessel, front, ball, finished(picture)


def test_a_vessel_gives_rim_sides_base_and_axis(jar):
    vessel, pixels = jar
    subject = find(pixels)
    assert {"rim of the vessel", "left side of the vessel", "right side of the vessel", "base of the vessel"} <= set(
        names(subject)
    )
    rim = subject.feature("rim of the vessel")
    assert rim.kind == "ellipse" and rim.closed and "openness" in rim.measures
    # A quarter of a px on a picture of 900 px is a tenth of a pencil line on A4.
    assert np.percentile(away(rim.points, vessel.rim), 95) < 1.5
    for side, exact in (("left", vessel.left), ("right", vessel.right)):
        feature = subject.feature(f"{side} side of the vessel")
        assert feature.slides and not feature.closed
        assert np.median(away(feature.points, exact)) < 1.0
        assert feature.points[0, 1] < feature.points[-1, 1]
        widest = feature.points[feature.anchors["widest point"]]
        assert abs(widest[1] - exact[np.abs(exact[:, 0] - vessel.x).argmax(), 1]) < 25
    form = subject.forms[0]
    assert form.left == ("left side of the vessel",) and form.right == ("right side of the vessel",)
    assert np.abs(form.axis[:, 0] - vessel.x).max() < 3 and form.axis[0, 1] > form.axis[1, 1]
    assert subject.size_label == "height of the vessel" and not subject.numbered
    assert subject.size_px == pytest.approx(np.ptp(vessel.outline[:, 1]), abs=3)


def test_the_rest_of_a_base_that_something_stands_in_front_of_is_judged():
    """A third of the base's arc is hidden, most of it on one side: the rest is on an ellipse about the axis."""
    picture = empty_table()
    vessel = Vessel(430, 200, 520, 90, 150, 80).put(picture)
    paint(picture, ellipse((365, 575), 50, 48), (190, 70, 50))
    base = find(finished(picture)).feature("base of the vessel")
    assert np.percentile(away(base.points, vessel.outline), 90) < 1.5
    assert base.points[:, 0].min() > 385 and base.points[:, 0].max() > 470


def test_the_table_edge_is_a_straight_feature(jar):
    edge = find(jar[1]).feature("table edge")
    assert edge.kind == "segment" and edge.points.shape == (2, 2) and edge.slides and edge.tolerance == "C"
    assert np.abs(edge.points[:, 1] - 259.5).max() < 1.5


def test_records_are_complete_and_consistent(group):
    subject = find(group[-1])
    assert len(set(names(subject))) == len(subject.features)
    for feature in subject.features:
        assert feature.stage in STAGES and feature.tolerance in ("A", "B", "C") and 0 < feature.importance <= 1
        assert feature.part.startswith("table") and np.isfinite(feature.points).all() and feature.sigma_px > 0
        assert all(0 <= k < len(feature.points) for k in feature.anchors.values())
    parts = [feature.part for feature in subject.features]
    for each in subject.groups:
        assert sum(part.startswith(each.part + "/") for part in parts) >= 2
    for form in subject.forms:
        assert all(subject.feature(name).part.startswith(form.part + "/") for name in form.left + form.right)


def test_things_are_called_by_place_and_the_group_is_measured_as_a_whole(group):
    subject = find(group[-1])
    labels = [each.label for each in subject.groups if each.part.count("/") == 1]
    assert labels == ["object on the left", "vessel", "object on the right"]
    assert subject.size_label.endswith("of the group")


def test_what_stands_behind_has_no_outline_where_something_stands_before_it(group):
    vessel, front, _, pixels = group
    subject = find(pixels)
    mine = np.vstack([f.points for f in subject.features if "vessel" in f.name])
    inside = np.array([cv2.pointPolygonTest(front.astype(np.float32), (float(x), float(y)), True) for x, y in mine])
    assert inside.max() < 4
    pears = np.vstack([f.points for f in subject.features if "object on the right" in f.name])
    assert np.median(away(pears, front)) < 1.0 and np.percentile(away(pears, front), 95) < 4
    assert np.median(away(mine, np.vstack([vessel.outline, vessel.rim]))) < 1.0


@pytest.mark.parametrize("soft", [4.0, 12.0])
def test_a_cast_shadow_is_no_thing_and_no_contour(soft):
    plain, cast = empty_table(), empty_table()
    shadow(cast, ellipse((640, 540), 190, 40), soft)
    vessels = [Vessel(430, 200, 520, 90, 150, 80).put(picture) for picture in (plain, cast)]
    without, with_shadow = find(finished(plain)), find(finished(cast))
    assert names(without) == names(with_shadow)
    outline = np.vstack([vessels[0].outline, vessels[0].rim])
    for feature in with_shadow.features:
        if feature.name not in ("table edge", "base of the vessel"):
            assert np.percentile(away(feature.points, outline), 90) < 2.0, feature.name


def test_a_handle_with_the_space_inside_it():
    picture = empty_table()
    centre = (590, 360)
    paint(picture, ellipse(centre, 75, 95), (70, 95, 140), hole=ellipse(centre, 50, 68))
    vessel = Vessel(430, 200, 520, 90, 150, 80).put(picture)
    subject = find(finished(picture))
    handle, inside = subject.feature("handle of the vessel"), subject.feature("inside of the handle of the vessel")
    assert np.percentile(away(handle.points, ellipse(centre, 75, 95)), 80) < 2.0
    assert inside.closed and inside.points[:, 0].min() > vessel.x
    assert "whole handle of the vessel" in [each.label for each in subject.groups]
    right = subject.feature("right side of the vessel")
    assert np.median(away(right.points, vessel.right)) < 2.0


def test_an_outline_without_symmetry_is_cut_into_a_few_numbered_stretches():
    picture = empty_table()
    outline = bird(450, 400, 220)
    paint(picture, outline, (60, 80, 150))
    subject = find(finished(picture))
    stretches = [feature for feature in subject.features if "outline" in feature.name]
    assert subject.numbered and 3 <= len(stretches) <= 6 and not subject.forms
    points = np.vstack([feature.points for feature in stretches])
    assert np.median(away(points, outline)) < 1.0 and np.percentile(away(points, outline), 95) < 4
    # Nearly all of the outline is in one stretch or another.
    assert (away(outline, points) < 12).mean() > 0.9
    assert all("shape" in feature.measures for feature in stretches)


def test_the_same_picture_twice_as_large_gives_the_same_points(jar):
    vessel, pixels = jar
    large = cv2.resize(pixels, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    small_rim, large_rim = (find(p).feature("rim of the vessel").points for p in (pixels, large))
    back = (large_rim + 0.5) / 2 - 0.5
    assert np.percentile(away(back, vessel.rim), 95) < 1.5 and np.hypot(*(back.mean(0) - small_rim.mean(0))) < 1.0


def test_the_same_picture_gives_the_same_subject(group):
    first, second = find(group[-1]), find(group[-1])
    assert names(first) == names(second)
    assert all(np.array_equal(a.points, b.points) for a, b in zip(first.features, second.features, strict=True))


# ---------------------------------------------------------------- the artist helps


def test_boxes_name_the_things(group):
    subject = find(group[-1], objects=["jar:330,140,300,410", "pear:525,370,170,230", "red ball:90,410,180,180"])
    labels = [each.label for each in subject.groups if each.part.count("/") == 1]
    assert labels == ["red ball", "jar", "pear"]
    assert "rim of the jar" in names(subject) and "table/jar/rim" in [feature.part for feature in subject.features]
    ball = np.vstack([f.points for f in subject.features if "red ball" in f.name])
    assert np.median(away(ball, group[2])) < 1.0


def test_boxes_may_be_a_mapping(group):
    subject = find(group[-1], objects={"jar": [330, 140, 300, 410]})
    assert all("jar" in name or name == "table edge" for name in names(subject))


def test_a_mask_shows_the_things(group, tmp_path):
    vessel, front, _, pixels = group
    mask = np.zeros(pixels.shape[:2], np.uint8)
    for outline in (vessel.outline, front):
        cv2.fillPoly(mask, [np.round(outline).astype(np.int32)], 255)
    path = tmp_path / "mask.png"
    Image.fromarray(mask).save(path)
    subject = find(pixels, mask=str(path))
    assert sum(each.part.count("/") == 1 for each in subject.groups) == 2  # the ball is not in the mask


def test_an_empty_table_says_how_to_give_boxes():
    with pytest.raises(SubjectError, match=r'--object "jug:120,80,300,420"'):
        find(finished(empty_table()))


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"objects": ["jug"]}, "can't be read"),
        ({"objects": ["jug:1,2,3"]}, "can't be read"),
        ({"objects": ["jug:a,b,c,d"]}, "can't be read"),
        ({"objects": [":1,2,30,40"]}, "can't be read"),
        ({"objects": {"jug": "nan,2,30,40"}}, "can't be read"),
        ({"objects": ["jug:1,2,3,4"]}, "smaller than 8 px"),
        ({"objects": ["jug:1,2,30,40", "jug:100,2,30,40"]}, "named twice"),
        ({"objects": 7}, "objects: is '7'"),
        ({"mask": 7}, "mask: is '7'"),
        ({"objects": ["jug:1,2,30,40"], "mask": "m.png"}, "both set"),
        ({"objects": ["jug:5000,2,30,40"]}, "outside 'table.png'"),
        ({"mask": "nowhere.png"}, r"detector: mask: .*nowhere\.png"),
    ],
)
def test_settings_it_cannot_use_are_told(settings, says):
    with pytest.raises(ConfigError, match=says):
        find(finished(empty_table()), **settings)


def test_a_mask_of_another_shape_or_without_things_is_refused(tmp_path):
    pixels = finished(empty_table())
    path = tmp_path / "mask.png"
    Image.fromarray(np.zeros((100, 300), np.uint8)).save(path)
    with pytest.raises(ConfigError, match="of other proportions"):
        find(pixels, mask=str(path))
    Image.fromarray(np.zeros(pixels.shape[:2], np.uint8)).save(path)
    with pytest.raises(ConfigError, match="shows no object"):
        find(pixels, mask=str(path))


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_mask_that_is_no_plain_file_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "mask.png")
    with pytest.raises(ConfigError, match=r"detector: mask: .*mask\.png"):
        find(finished(empty_table()), mask=str(tmp_path / "mask.png"))


def test_a_mask_beyond_the_limits_is_refused_before_it_is_decoded(tmp_path):
    Image.new("1", (40_000, 3)).save(tmp_path / "mask.png")
    with pytest.raises(ConfigError, match=r"detector: mask: .*mask\.png"):
        find(finished(empty_table()), mask=str(tmp_path / "mask.png"))


def test_a_mask_that_is_white_all_over_is_refused(tmp_path):
    pixels = finished(empty_table())
    clear = np.zeros((*pixels.shape[:2], 4), np.uint8)  # a mask painted on nothing: clear paper counts as white
    Image.fromarray(clear).save(tmp_path / "mask.png")
    with pytest.raises(ConfigError, match="white all over"):
        find(pixels, mask=str(tmp_path / "mask.png"))
