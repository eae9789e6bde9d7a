"""The still-life plugin's arithmetic against reference libraries and published facts."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from featurediff_still_life import forms
from featurediff_still_life.background import DARKEST, learn_surroundings
from featurediff_still_life.detector import StillLifeDetector
from featurediff_still_life.ellipses import Ellipse, fit_ellipse, fit_robust
from featurediff_still_life.view import colour_gradient
from scipy.spatial.distance import directed_hausdorff
from skimage import data
from skimage.color import rgb2lab
from skimage.graph import route_through_array
from skimage.measure import EllipseModel

from featurediff.api import Picture
from featurediff.paths import best_path
from featurediff.testing.scenes import rendered_table

AROUND = np.linspace(0, 2 * np.pi, 40, endpoint=False)


def reference_fit(points):
    """Centre, half axes and turn by scikit-image (which implements Halir and Flusser 1998), long axis first."""
    if hasattr(EllipseModel, "from_estimate"):  # from 0.26 on
        model = EllipseModel.from_estimate(points)
        (x, y), (a, b), turn = model.center, model.axis_lengths, model.theta
    else:
        model = EllipseModel()
        model.estimate(points)
        x, y, a, b, turn = model.params
    if a < b:
        a, b, turn = b, a, turn + math.pi / 2
    return np.array([x, y]), a, b, (math.degrees(turn) + 90) % 180 - 90


# ---------------------------------------------------------------- ellipses


def test_the_example_of_the_reference_library():
    """TRADE.md: scikit-image's EllipseModel recovers (10, 15, 8, 4, 30 deg) exactly, as its documentation shows."""
    t, turn = np.linspace(0, 2 * np.pi, 25), np.deg2rad(30)
    x, y = 8 * np.cos(t), 4 * np.sin(t)
    points = np.column_stack([10 + x * np.cos(turn) - y * np.sin(turn), 15 + x * np.sin(turn) + y * np.cos(turn)])
    centre, a, b, angle = reference_fit(points)
    assert (*centre, a, b, angle) == pytest.approx((10, 15, 8, 4, 30), abs=1e-7)
    found = fit_ellipse(points)
    assert found.centre == pytest.approx([10, 15], abs=1e-9)
    assert (found.long, found.short, found.turn) == pytest.approx((8, 4, 30), abs=1e-7)


@pytest.mark.parametrize("seed", range(8))
def test_noisy_and_partial_arcs_as_the_reference_library_fits_them(seed):
    rng = np.random.default_rng(seed)
    true = Ellipse(rng.uniform(-300, 300, 2), 100.0, rng.uniform(20, 90), rng.uniform(-80, 80))
    arc = AROUND[: int(rng.integers(24, 40))] + rng.uniform(0, 6)
    points = true.at(arc) + rng.normal(0, 1.0, (len(arc), 2))
    found = fit_ellipse(points)
    centre, long, short, turn = reference_fit(points)
    assert found.centre == pytest.approx(centre, abs=1e-3)
    assert (found.long, found.short) == pytest.approx((long, short), rel=1e-4)
    assert (found.turn - turn + 90) % 180 - 90 == pytest.approx(0, abs=0.01)


def test_it_is_always_an_ellipse():
    """Fitzgibbon, Pilu and Fisher 1999: the fit is an ellipse for any data, be it scattered or on a hyperbola or a parabola."""
    t = np.linspace(-1.2, 1.2, 30)
    hyperbola = np.column_stack([np.cosh(t), np.sinh(t)]) * 50
    rng = np.random.default_rng(2)
    parabola = np.column_stack([t, t**2 + rng.normal(0, 0.01, 30)]) * 80
    sets = [hyperbola, parabola] + [rng.normal(0, rng.uniform(0.1, 200), (int(rng.integers(6, 30)), 2)) for _ in range(300)]
    for points in sets:
        found = fit_ellipse(points)
        assert found is not None
        assert 0 < found.short <= found.long < math.inf and np.isfinite(found.centre).all()
        # It satisfies an ellipse's equation: the sum of the distances from the foci is the long axis, all around.
        u, _ = found.axes
        foci = math.sqrt(found.long**2 - found.short**2) * u
        around = found.at(AROUND)
        total = np.hypot(*(around - found.centre - foci).T) + np.hypot(*(around - found.centre + foci).T)
        assert total == pytest.approx(np.full(len(total), 2 * found.long), rel=1e-9)


def test_the_fit_goes_with_the_points():
    """Fitzgibbon et al. 1999, section 3: the fit is unchanged by an affine change of coordinates (checked for similarities)."""
    true = Ellipse(np.array([40.0, -20.0]), 60, 25, 20)
    points = true.at(AROUND) + np.random.default_rng(0).normal(0, 0.5, (40, 2))
    angle = math.radians(33)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    plain, moved = fit_ellipse(points), fit_ellipse(2.5 * points @ turn.T + [300, 100])
    assert moved.centre == pytest.approx(2.5 * turn @ plain.centre + [300, 100], abs=1e-6)
    assert (moved.long, moved.short) == pytest.approx((2.5 * plain.long, 2.5 * plain.short), rel=1e-6)
    assert moved.turn == pytest.approx(plain.turn + 33, abs=1e-6)


def test_opencv_fits_the_same():
    """Reference: OpenCV's fitEllipseDirect, an independent implementation of the same paper."""
    true = Ellipse(np.array([200.0, 150.0]), 90, 31, -12)
    points = true.at(AROUND) + np.random.default_rng(4).normal(0, 0.7, (40, 2))
    (x, y), (first, second), turn = cv2.fitEllipseDirect(points.astype(np.float32))
    found = fit_ellipse(points.astype(np.float32))
    assert found.centre == pytest.approx([x, y], abs=0.02)
    assert sorted((2 * found.long, 2 * found.short)) == pytest.approx(sorted((first, second)), rel=1e-3)
    assert (found.turn - turn) % 90 == pytest.approx(0, abs=0.1) or (found.turn - turn) % 90 == pytest.approx(90, abs=0.1)


def test_outliers_do_not_pull_the_robust_fit():
    true = Ellipse(np.array([200.0, 150.0]), 120, 40, 5)
    rng = np.random.default_rng(6)
    arc = true.at(np.linspace(0, 2 * np.pi, 90, endpoint=False)) + rng.normal(0, 0.3, (90, 2))
    arc[30:48] += [0, 14]  # a stretch of another edge
    found, inside = fit_robust(arc, 1.2)
    assert found.openness == pytest.approx(true.openness, abs=0.005) and not inside[32:46].any()
    off = [float(np.hypot(*(fit.centre - true.centre))) for fit in (found, fit_ellipse(arc))]
    assert off[0] < 1.5 and off[1] > 4  # the second is what it is robust against


def test_distance_from_an_ellipse_against_the_nearest_of_many_points():
    ellipse = Ellipse(np.array([50.0, 60.0]), 80, 30, 25)
    dense = ellipse.at(np.linspace(0, 2 * np.pi, 20000))
    near = ellipse.at(AROUND) + 1.5 * ellipse.outward(AROUND)
    exact = np.sqrt(((near[:, None] - dense[None]) ** 2).sum(2)).min(1)
    assert ellipse.off(near) == pytest.approx(exact, rel=0.12)


@pytest.mark.parametrize("elevation", [10, 20, 30, 45])
def test_a_circle_seen_from_above_is_as_open_as_the_sine_of_the_elevation(elevation):
    """TRADE.md: short / long = sin(elevation) when the camera is aimed at the circle: 0.174, 0.342, 0.500, 0.707 (geometry).

    The circle is projected by OpenCV's pinhole camera from far away.
    """
    circle = np.column_stack([np.cos(AROUND), np.sin(AROUND), np.zeros(40)]) * 50
    tilt, far = math.radians(90 - elevation), 20000.0
    points, _ = cv2.projectPoints(circle, np.array([tilt, 0, 0]), np.array([0, 0, far]), np.diag([8000.0, 8000.0, 1.0]), None)
    assert fit_ellipse(points[:, 0]).openness == pytest.approx(math.sin(math.radians(elevation)), abs=1e-3)


# ---------------------------------------------------------------- outlines on rendered scenes


@pytest.fixture(scope="module")
def scene():
    return rendered_table(4, size=(900, 720))


@pytest.fixture(scope="module")
def subject(scene):
    return StillLifeDetector().find(Picture(scene.pixels, scene.name), {})


def test_rims_of_a_rendered_table_have_the_cameras_ellipses(scene, subject):
    """The exact ellipse is the image of the circle under the scene's known camera (Hartley and Zisserman, section 2.2.3)."""
    true = [thing.ellipses["rim"] for thing in scene.objects if "rim" in thing.ellipses]
    rims = [fit_ellipse(feature.points) for feature in subject.features if feature.kind == "ellipse"]
    assert len(rims) >= 2
    for rim in rims:
        nearest = min(true, key=lambda t: np.hypot(*(rim.centre - t.centre)))
        assert np.hypot(*(rim.centre - nearest.centre)) < 0.01 * scene.size_px
        # 0.02, or 1 mm on the short axis of a small one (TRADE.md), for a group 160 mm high.
        limit = max(0.02, 1.0 / (2 * nearest.long * 160 / scene.size_px))
        assert rim.openness == pytest.approx(nearest.openness, abs=limit)


def test_the_inner_edge_of_a_lip_is_the_cameras_ellipse_too(scene, subject):
    """Likewise for the circle in which a lip ends inside."""
    true = [thing.ellipses["inner rim"] for thing in scene.objects if "inner rim" in thing.ellipses]
    inner = [fit_ellipse(line) for feature in subject.features for line in feature.beside]
    assert inner
    for edge in inner:
        nearest = min(true, key=lambda t: np.hypot(*(edge.centre - t.centre)))
        # A lip is rounded: where it ends is a matter of a millimetre.
        assert edge.long == pytest.approx(nearest.long, abs=1.0 * scene.size_px / 160)
        assert np.hypot(*(edge.centre - nearest.centre)) < 0.01 * scene.size_px


@pytest.fixture(scope="module")
def cup():
    """scikit-image's photograph of a cup on a saucer (CC0)."""
    return data.coffee()


def test_on_an_open_photograph_boxes_give_both_ellipses(cup):
    """Where rims run was read off the enlarged picture by eye, to 2 px."""
    boxes = {"objects": ["cup:172,14,240,300", "saucer:74,70,410,315"]}
    found = StillLifeDetector().find(Picture(cup, "coffee"), boxes)
    rim, saucer = (found.feature(f"rim of the {name}").points for name in ("cup", "saucer"))
    assert [*rim.min(0), *rim.max(0)] == pytest.approx([174, 18, 409, 208], abs=3)
    assert [*saucer.min(0), *saucer.max(0)] == pytest.approx([75, 53, 479, 390], abs=4)


def test_on_an_open_photograph_without_boxes_it_says_how_to_give_them(cup):
    found = StillLifeDetector().find(Picture(cup, "coffee"), {})
    assert any('--object "jug:' in advice.text for advice in found.advice)
    rims = [feature.points for feature in found.features if feature.kind == "ellipse"]
    assert any([*rim.min(0), *rim.max(0)] == pytest.approx([174, 18, 409, 208], abs=3) for rim in rims)


def test_outlines_of_a_rendered_table_against_scipys_hausdorff_distance(scene, subject):
    """Both ways: from what was found to the exact outline, and from the exact seen outline to what was found."""
    checked = 0
    for thing in scene.objects:
        if thing.kind not in ("pear", "bowl") or (thing.mask ^ thing.whole).any():
            continue
        exact = thing.contour
        own = [f for f in subject.features if _inside(f.points, thing.box) and "stem" not in f.part]
        found = np.vstack([f.points for f in own if f.kind != "ellipse"] or [np.zeros((0, 2))])
        rim = [f.points for f in own if f.kind == "ellipse"]
        if not len(found):
            continue
        mm = 160 / scene.size_px
        there = directed_hausdorff(found, np.vstack([exact, *rim]))[0] * mm
        assert there < 4.0, thing.name  # the worst point, not the typical one: a stem's foot, the shadow beneath
        middle = np.median(np.sqrt(((found[:, None] - exact[None]) ** 2).sum(2)).min(1)) * mm
        assert middle < 0.4, thing.name
        checked += 1
    assert checked >= 2


def _inside(points, box):
    x, y, width, height = box
    low, high = points.min(0), points.max(0)
    return bool(low[0] > x - 8 and low[1] > y - 8 and high[0] < x + width + 8 and high[1] < y + height + 8)


# ---------------------------------------------------------------- colour, edges, paths, symmetry


def test_a_shadow_lies_on_the_ray_of_its_surface():
    """Reference: scikit-image's CIE L*a*b*. A surface in a third of the light has (L + 16, a, b) in one proportion, so it is no
    thing; another hue of the same lightness is one (CIE 15: L* = 116 f(Y) - 16, a* and b* differences of the same cube roots)."""
    linear = np.array([0.42, 0.25, 0.12])
    to_srgb = lambda c: np.where(c <= 0.0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - 0.055)  # noqa: E731  IEC 61966-2-1
    lab = np.zeros((60, 80, 3), np.float32)
    lab[:] = rgb2lab(to_srgb(linear)[None, None])[0, 0]
    lab[20:40, 20:40] = rgb2lab(to_srgb(linear / 3)[None, None])[0, 0]
    lab[20:40, 50:70] = lab[0, 0] + [0, -25, 0]
    distance = learn_surroundings(lab).distance(lab, DARKEST)
    assert distance[25:35, 25:35].max() < 0.2
    assert distance[25:35, 55:65].min() > 4


def test_path_is_the_cheapest_route_of_the_reference_library():
    """Reference: scikit-image's route_through_array on the same costs, for a stiffness of 0 and steps of one column at most."""
    rng = np.random.default_rng(1)
    score = cv2.GaussianBlur(rng.normal(0, 1, (40, 25)).astype(np.float32), (0, 0), 1.5)
    path = best_path(score, 0.02)
    total = score[np.arange(40), path].sum() - 0.02 * (np.diff(path) ** 2).sum()
    route, _ = route_through_array(score.max() - score + 1.0, [0, int(path[0])], [39, int(path[-1])], geometric=False)
    columns = dict(route)
    other = np.array([columns[row] for row in range(40)])
    steps = np.diff(other)
    if np.abs(steps).max() <= 3:
        assert total >= score[np.arange(40), other].sum() - 0.02 * (steps**2).sum() - 1e-4


def test_the_gradient_of_a_grey_ramp_is_its_slope():
    """A ramp's gradient is its slope, in its direction, whatever the channel (Di Zenzo 1986: eigenvalue of the tensor)."""
    y, x = np.mgrid[0:40, 0:50].astype(np.float32)
    ramp = 0.6 * x + 0.8 * y
    size, way = colour_gradient(np.dstack([ramp, 0 * ramp, 0 * ramp]))
    assert size[10:30, 10:40] == pytest.approx(1.0, abs=1e-4)
    assert np.abs(way[10:30, 10:40] @ np.array([0.6, 0.8])) == pytest.approx(np.ones((20, 30)), abs=1e-4)


@pytest.mark.parametrize("lean", [-9.0, 0.0, 6.0])
def test_the_axis_of_a_leaning_symmetric_outline_is_known_exactly(lean):
    t = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    half, down = 60 * np.abs(np.sin(t)) * (1 + 0.4 * np.cos(t)), -150 * np.cos(t)
    line = np.column_stack([np.sign(np.sin(t)) * half, down])
    angle = math.radians(lean)
    turned = line @ np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]]) + [300, 300]
    axis = forms.find_axis([forms.Loop(turned, np.ones(len(turned), bool))])
    assert axis.lean == pytest.approx(lean, abs=0.15) and axis.share > 0.9
    assert abs(axis.local(np.array([[300.0, 300.0]]))[0, 0]) < 0.5
