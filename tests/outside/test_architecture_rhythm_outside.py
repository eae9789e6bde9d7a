"""Spacing in perspective and the facade seen straight on, against facts and libraries outside the project."""

import cv2
import numpy as np
import pytest
from featurediff_architecture.rectify import plane_homography
from featurediff_architecture.spacing import EQUAL_STEPS, cross_ratio, equally_spaced, line_map, map_places, where_they_belong
from skimage.transform import ProjectiveTransform

from featurediff.geometry import apply


@pytest.mark.parametrize("view", [(1, 0, 0, 1), (3, 2, 0.1, 1), (-40, 900, -0.07, 2), (5, 1, 0.45, 1)])
def test_equal_steps_have_the_cross_ratio_four_thirds_from_any_view(view):
    """(AC * BD) / (BC * AD) = 4/3 for four equal steps (geometry; Hartley and Zisserman 2003, section 2.5, from memory)."""
    a, b, c, d = view
    places = [(a * t + b) / (c * t + d) for t in range(4)]
    assert cross_ratio(*places) == pytest.approx(EQUAL_STEPS, abs=1e-12)
    assert cross_ratio(0, 1, 2, 3) == pytest.approx(4 / 3)


def test_sleepers_of_a_track():
    """Equal steps on the ground at depths 4, 5, 6 ... lie below the eye level by 1 / depth (pinhole camera, eye at height 1,
    focal length 1; geometry). With the first two and the vanishing point at 0 all others follow: 1/4, 1/5 give 1/6, 1/7 ..."""
    depths = np.arange(4.0, 12.0)
    reference = 3 + 2 * depths
    found = where_they_belong(reference, (0, 1), np.array([1 / 4, 1 / 5]), vanishing=(np.inf, 0.0))
    assert found == pytest.approx(1 / depths, abs=1e-12)


def test_the_middle_of_a_facade_lies_where_its_diagonals_cross():
    """Drawing practice's construction: the diagonals of a rectangle in perspective cross over its middle (common practice)."""
    corners = np.array([[100.0, 50.0], [420.0, 120.0], [420.0, 330.0], [100.0, 400.0]])
    cross = np.cross(_line(corners[0], corners[2]), _line(corners[1], corners[3]))
    middle_x = cross[0] / cross[2]
    horizon = np.cross(_line(corners[0], corners[1]), _line(corners[3], corners[2]))
    vanishing = horizon[0] / horizon[2]
    found = where_they_belong(np.array([0.0, 1.0, 2.0]), (0, 2), np.array([100.0, 420.0]), vanishing=(np.inf, vanishing))
    assert found[1] == pytest.approx(middle_x, abs=1e-9)


def _line(a, b):
    return np.cross([*a, 1.0], [*b, 1.0])


def test_line_map_agrees_with_a_plane_homography_of_scikit_image():
    """scikit-image's ProjectiveTransform, fitted to a plane's points on two parallel lines, moves places on one of them as the
    map of that line alone does."""
    rng = np.random.default_rng(5)
    places = np.sort(rng.uniform(0, 10, 6))
    matrix = np.array([[30.0, 2.0, 5.0], [0.0, 25.0, 3.0], [0.07, 0.0, 1.0]])
    drawn = apply(matrix, np.column_stack([places, np.zeros(6)]))[:, 0]
    above = np.column_stack([places, np.ones(6)])
    fitted = ProjectiveTransform.from_estimate(
        np.vstack([np.column_stack([places, np.zeros(6)]), above]),
        np.vstack([apply(matrix, np.column_stack([places, np.zeros(6)])), apply(matrix, above)]),
    )
    own = map_places(line_map(places[:4], drawn[:4]), places)
    assert own == pytest.approx(fitted(np.column_stack([places, np.zeros(6)]))[:, 0], abs=1e-6)


def test_the_straight_view_makes_a_known_plane_s_lines_upright_and_level():
    """A plane of a known camera: K [r1 r2 t] (pinhole camera). Its rectified rectangle is upright, and OpenCV's homography
    through the four corners differs from it only by the two scales and the shift."""
    k = np.array([[900.0, 0, 500], [0, 900.0, 380], [0, 0, 1]])
    rotation = cv2.Rodrigues(np.array([0.12, 0.55, -0.03]))[0]
    plane = k @ np.column_stack([rotation[:, 0], rotation[:, 1], [-3.0, -2.0, 14.0]])
    rectangle = np.array([[0.0, 0], [6, 0], [6, 4], [0, 4]])
    seen = apply(plane, rectangle)
    own = np.linalg.inv(plane_homography(plane[:, 0], plane[:, 1], seen.mean(0)))
    flat = apply(own, seen)
    assert flat[0, 1] == pytest.approx(flat[1, 1], abs=1e-6) and flat[2, 1] == pytest.approx(flat[3, 1], abs=1e-6)
    assert flat[0, 0] == pytest.approx(flat[3, 0], abs=1e-6) and flat[1, 0] == pytest.approx(flat[2, 0], abs=1e-6)
    assert flat[1, 0] > flat[0, 0] and flat[2, 1] > flat[1, 1]
    library = cv2.getPerspectiveTransform(seen.astype(np.float32), rectangle.astype(np.float32))
    grid = apply(plane, np.array([[x, y] for x in (1.0, 2.5, 5.0) for y in (0.5, 3.0)]))
    mine, theirs = apply(own, grid), apply(library, grid)
    for axis in (0, 1):
        slope, start = np.polyfit(theirs[:, axis], mine[:, axis], 1)
        assert mine[:, axis] == pytest.approx(slope * theirs[:, axis] + start, abs=1e-2)


def test_windows_of_a_known_camera_are_equally_spaced_and_a_missing_place_is_not():
    """Four thirds for every four neighbours (geometry), on pinhole views of equal and of unequal rows."""
    steps = np.arange(6.0)
    uneven = steps.copy()
    uneven[3] += 0.12
    for a, c in ((1.0, 0.0), (1.0, 0.12), (2.0, -0.1)):
        assert equally_spaced(a * steps / (c * steps + 1))
        assert not equally_spaced(a * uneven / (c * uneven + 1))
