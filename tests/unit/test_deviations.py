"""Deviations: what each measure reads for known displacements, its uncertainty, and its tolerance."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from featurediff.deviations import class_limit, compare, deviations, feature_results
from featurediff.doubt import stated_factor
from featurediff.geometry import apply, similarity_matrix
from featurediff.records import Feature, LineUp, Located, Sheet, Subject
from featurediff.settings import Settings

SETTINGS = Settings()
PLAIN = LineUp("fewest", 0.16, 0.0, (10.0, 20.0))


def sheet(unit: str = "mm", sigma: float = 0.2) -> Sheet:
    size = (210.0, 297.0) if unit == "mm" else None
    return Sheet(size, "scan", np.eye(3), None, 0.0, 5.0, 0.5, np.full(4, sigma), unit)


def subject(*features: Feature, axis: float = 0.0) -> Subject:
    region = np.array([[0, 0], [1000, 0], [1000, 1000], [0, 1000]], float)
    return Subject(features, 1000.0, "height", region, axis)


def feature(points, kind="curve", **more) -> Feature:
    return Feature("thing", "whole/thing", kind, np.array(points, float), **more)


def located(points, sigma=0.2) -> Located:
    points = np.asarray(points, float)
    return Located("thing", True, "", points, np.full(len(points), sigma), np.eye(2) * sigma**2, 0.9)


def measured(one: Feature, change, lineup: LineUp = PLAIN, on: Sheet | None = None, axis: float = 0.0) -> dict:
    """{measure: Deviation} of a feature whose lined-up points (n, 2) in mm are drawn at ``change(points)``."""
    lined_up = apply(similarity_matrix(lineup.scale, lineup.turn_deg, lineup.move_mm), one.points)
    found = deviations(subject(one, axis=axis), (located(change(lined_up)),), lineup, on or sheet(), SETTINGS)
    return {each.measure: each for each in found}


def ring(half=(150, 60), count=40, turn=0.0) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    points = np.column_stack([half[0] * np.cos(t), half[1] * np.sin(t)])
    return apply(similarity_matrix(1.0, turn, (500, 500)), points)


ALL = ("across", "down", "width", "height", "tilt", "openness", "shape")


@pytest.mark.parametrize("turn", [0.0, 7.0, -25.0, 90.0])
@pytest.mark.parametrize("kind", ["curve", "ellipse"])
def test_a_perfect_copy_has_no_deviation_however_it_lies_on_the_sheet(kind, turn):
    one = feature(ring(), kind, closed=True, measures=ALL)
    found = measured(one, lambda p: p, LineUp("fewest", 0.11, turn, (100.0, 40.0)))
    assert set(found) == set(ALL)
    assert max(abs(each.value) for each in found.values()) < 1e-9


def test_positions_are_drawing_minus_reference_x_right_y_down():
    one = feature([[400, 300], [500, 320], [600, 300]])
    found = measured(one, lambda p: p + np.array([1.5, -2.0]))
    assert found["across"].value == pytest.approx(1.5)
    assert found["down"].value == pytest.approx(-2.0)
    assert found["across"].unit == "mm"


def test_a_smooth_curve_is_judged_only_across_itself():
    upright = feature([[400, y] for y in range(300, 700, 40)], slides=True)
    found = measured(upright, lambda p: p + np.array([2.0, 9.0]))
    assert found["across"].value == pytest.approx(2.0)
    assert "down" not in found
    slanting = feature([[300 + k, 300 + k] for k in range(0, 400, 40)], slides=True)
    found = measured(slanting, lambda p: p + np.array([4.0, 4.0]))  # along itself
    assert abs(found["across"].value) < 1e-9
    assert abs(found["down"].value) < 1e-9


def test_a_bent_smooth_curve_is_judged_both_ways():
    t = np.linspace(0, np.pi, 30)
    bow = feature(np.column_stack([500 + 200 * np.cos(t), 600 + 200 * np.sin(t)]), slides=True)
    found = measured(bow, lambda p: p + np.array([1.0, -2.0]))
    assert found["across"].value == pytest.approx(1.0)
    assert found["down"].value == pytest.approx(-2.0)


def test_width_and_height_read_stretches_along_the_subjects_own_axes():
    one = feature(ring(), closed=True, measures=("width", "height"))
    lineup = LineUp("fewest", 0.16, 20.0, (60.0, 0.0))
    right = np.array([math.cos(math.radians(20)), math.sin(math.radians(20))])

    def wider(points):
        arm = points - points.mean(0)
        return points + 0.1 * np.outer(arm @ right, right)

    found = measured(one, wider, lineup)
    assert found["width"].value == pytest.approx(0.1 * 300 * 0.16, rel=0.03)
    assert found["height"].value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("turn", [-4.0, 2.5])
@pytest.mark.parametrize("slides", [False, True])
def test_tilt_is_the_turn_clockwise_positive(turn, slides):
    one = feature([[300 + 20 * k, 500] for k in range(20)], "segment", measures=("tilt",), slides=slides)

    def turned(points):
        middle = points.mean(0)
        return apply(similarity_matrix(1.0, turn, (0, 0)), points - middle) + middle

    assert measured(one, turned)["tilt"].value == pytest.approx(turn, abs=0.02)


def test_openness_agrees_with_an_independent_ellipse_fit():
    """A rim of ratio 0.34 drawn 0.28, 50 mm wide; both ellipses also fitted by scikit-image's EllipseModel."""
    measure = pytest.importorskip("skimage.measure")
    wide = 50 / 0.16
    one = feature(ring((wide / 2, 0.34 * wide / 2)), "ellipse", closed=True, measures=("openness", "width", "height"))

    def flatter(points):
        middle = points.mean(0)
        return (points - middle) * [1.0, 0.28 / 0.34] + middle

    reference = apply(similarity_matrix(0.16, 0, PLAIN.move_mm), one.points)
    ratios = []
    for points in (reference, flatter(reference)):
        model = measure.EllipseModel.from_estimate(points)
        long, short = sorted((model.axis_lengths if hasattr(model, "axis_lengths") else model.params[2:4]), reverse=True)
        ratios.append(short / long)
    found = measured(one, flatter)
    assert found["openness"].value == pytest.approx(ratios[1] - ratios[0], abs=0.001)
    assert found["height"].value == pytest.approx(-0.06 * 50, abs=0.05)


def test_shape_reads_a_bulge_and_no_move_turn_or_size():
    one = feature(ring((120, 120)), closed=True, measures=("shape",))

    def bulged(points):
        out = points - points.mean(0)
        out /= np.hypot(*out.T)[:, None]
        bump = np.exp(-(np.arange(len(points)) ** 2) / 8.0)[:, None] * 3.0
        return points * 1.03 + out * bump + np.array([2.0, 1.0])

    assert measured(one, lambda p: p * 1.05 + 3.0)["shape"].value == pytest.approx(0.0, abs=1e-6)
    assert 1.2 < measured(one, bulged)["shape"].value < 3.2


def test_no_bulge_is_told_of_an_outline_that_hides_its_dents():
    one = feature(ring(), closed=True, measures=("shape",))
    points = apply(similarity_matrix(PLAIN.scale, 0.0, PLAIN.move_mm), one.points)
    points[8:13, 1] += 4.0
    for partly, told in (("", ["shape"]), ("short dents: the pencil around it", [])):
        place = replace(located(points), partly=partly)
        found = deviations(subject(one), (place,), PLAIN, sheet(), SETTINGS)
        assert [each.measure for each in found] == told


def test_stated_uncertainty_matches_the_scatter_of_repeated_matching():
    """Point noise of 0.3 mm, independent between points: no measure may scatter more than it states."""
    rng = np.random.default_rng(1)
    one = feature(ring(), closed=True, measures=("across", "down", "width", "height", "tilt"))
    lined_up = apply(similarity_matrix(0.16, 0, PLAIN.move_mm), one.points)
    values: dict[str, list[float]] = {}
    for _ in range(300):
        noise = rng.normal(0, 0.3, lined_up.shape)
        points = Located("thing", True, "", lined_up + noise, np.full(len(lined_up), 0.3), None, 0.9)
        for each in deviations(subject(one), (points,), PLAIN, sheet(sigma=1e-6), SETTINGS):
            values.setdefault(each.measure, []).append(each.value)
            stated = each.sigma
            values.setdefault(each.measure + " stated", []).append(stated)
    for name in one.measures:
        scatter = np.std(values[name])
        assert scatter < 1.1 * values[name + " stated"][0], name


@pytest.mark.parametrize(
    ("name", "limits"), [("A", (0.7, 1.0, 1.3, 1.8)), ("B", (1.0, 1.6, 2.2, 3.0)), ("C", (1.5, 3.2, 4.4, 6.0))]
)
def test_tolerance_classes_at_four_head_heights(name, limits):
    """The table of limits for heads of 60, 160, 220 and 300 mm (the project's own judgement, rounded to 0.1 mm)."""
    for size, limit in zip((60, 160, 220, 300), limits, strict=True):
        assert class_limit(SETTINGS.tolerances, name, size, "mm") == pytest.approx(limit, abs=0.051)


def test_without_mm_the_floors_do_not_apply():
    assert class_limit(SETTINGS.tolerances, "A", 100.0, "%") == pytest.approx(0.6)
    one = feature([[400, 300], [500, 300]], "segment")
    found = measured(one, lambda p: p + 1.0, LineUp("fewest", 0.1, 0.0, (0.0, 0.0)), sheet("%"))
    assert found["down"].unit == "%"


def test_angles_are_judged_by_the_length_of_the_line():
    """max(1 degree, atan(limit / length)): a 16 mm line at a limit of 1.6 mm."""
    one = feature([[400, 300], [500, 300]], "segment", measures=("tilt",))
    assert measured(one, lambda p: p)["tilt"].tolerance == pytest.approx(math.degrees(math.atan(1.6 / 16)), rel=0.01)


def test_points_that_were_not_seen_do_not_count():
    one = feature([[300 + 20 * k, 500] for k in range(20)], measures=("across", "down", "width"))
    points = apply(similarity_matrix(0.16, 0, PLAIN.move_mm), one.points) + np.array([0.0, 2.0])
    points[15:] = np.nan
    place = Located("thing", True, "", points, np.full(20, 0.2), np.eye(2) * 0.04, 0.9)
    found = {each.measure: each for each in deviations(subject(one), (place,), PLAIN, sheet(), SETTINGS)}
    assert found["down"].value == pytest.approx(2.0)
    assert "width" not in found
    assert all(math.isfinite(each.value) and math.isfinite(each.sigma) for each in found.values())


def test_what_was_not_found_has_no_deviation_and_a_reason():
    one = feature([[400, 300], [500, 300]], "segment")
    lost = Located("thing", False, "nothing is drawn there")
    assert deviations(subject(one), (lost,), PLAIN, sheet(), SETTINGS) == ()
    (result,) = feature_results(subject(one), (lost,), PLAIN, sheet())
    assert (result.found, result.why, result.off_mm) == (False, "nothing is drawn there", None)


def test_feature_results_leave_the_slide_along_a_curve_out():
    upright = feature([[400, y] for y in range(300, 700, 40)], slides=True)
    points = apply(similarity_matrix(0.16, 0, PLAIN.move_mm), upright.points) + np.array([1.0, 5.0])
    (result,) = feature_results(subject(upright), (located(points),), PLAIN, sheet())
    assert result.off_mm == pytest.approx((1.0, 0.0), abs=1e-9)
    assert result.sigma_mm == pytest.approx(math.hypot(stated_factor("edge", "across") * 0.2, 0.2))


def test_a_measure_is_the_sum_of_its_weights_times_the_displacements():
    """The linear form that explanations rely on."""
    rng = np.random.default_rng(3)
    one = feature(ring(), closed=True, measures=ALL)
    points = apply(similarity_matrix(0.16, 0, PLAIN.move_mm), one.points)
    (each,) = compare(subject(one), (located(points + rng.normal(0, 1, points.shape)),), PLAIN, sheet(), SETTINGS)
    for measure in each.measures:
        assert measure.value == pytest.approx(float((measure.weights * each.off).sum()))
