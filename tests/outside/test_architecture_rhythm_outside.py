"""Spacing in perspective and the facade seen straight on, against facts and libraries outside the project."""

import cv2
import numpy as np
import pytest
from architecture_facades import Facade, grid, segments_of
from featurediff_architecture.rectify import plane_homography
from featurediff_architecture.windows import find_openings

from featurediff.geometry import apply

FACADE = Facade(15, 6, grid(5, 1, 1.2, 1.6, 2.8, 3.0, 1.1, 1.8))


def middles_of(turn: float) -> tuple[np.ndarray, np.ndarray]:
    """(5,) places along their row, px, where the diagonals of the found windows cross, from left to right; and the middles of
    the exact windows, mapped by the camera."""
    pixels, plane, across, up = FACADE.seen(turn=turn)
    region = apply(plane, np.array([[0.0, 0], [15, 0], [15, 6], [0, 6]]))
    found = find_openings(pixels, segments_of(pixels), across, up, region)
    own = np.sort([_crossing(each.corners)[0] for each in found])
    exact = apply(plane, np.array([[x + w / 2, y + h / 2] for _, x, y, w, h in FACADE.openings]))[:, 0]
    return own, np.sort(exact)


def _crossing(corners: np.ndarray) -> np.ndarray:
    first, second = (np.cross([*corners[k], 1.0], [*corners[k + 2], 1.0]) for k in (0, 1))
    cross = np.cross(first, second)
    return cross[:2] / cross[2]


@pytest.mark.parametrize("turn", [0, 20, -32])
def test_equally_spaced_windows_have_the_cross_ratio_four_thirds_from_any_view(turn):
    """(AC * BD) / (BC * AD) = 4/3 for four equal steps (geometry; Hartley and Zisserman 2003, section 2.5, from memory), on
    the windows that the detector finds."""
    own, _ = middles_of(turn)
    for a, b, c, d in (own[:4], own[1:]):
        assert (c - a) * (d - b) / ((c - b) * (d - a)) == pytest.approx(4 / 3, rel=0.01)


@pytest.mark.parametrize("turn", [0, 20, -32])
def test_the_middle_of_a_window_lies_where_its_diagonals_cross(turn):
    """Drawing practice's construction: the diagonals of a rectangle in perspective cross over its middle (common practice)."""
    own, exact = middles_of(turn)
    assert own == pytest.approx(exact, abs=1.5)


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
