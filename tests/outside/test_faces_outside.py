"""The faces plugin's own arithmetic against reference libraries and published data."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from featurediff_faces import colours, features, landmarks, paths, topology
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.distance import mahalanobis
from scipy.spatial.transform import Rotation
from skimage.color import rgb2lab
from skimage.graph import route_through_array
from skimage.measure import EllipseModel


@pytest.mark.parametrize(("yaw", "pitch", "roll"), [(0, 0, 0), (25, 0, 0), (0, 15, 0), (0, 0, -20), (18, -7, 12)])
def test_angles_of_a_transformation_as_scipy_composes_it(yaw, pitch, roll):
    """Reference: scipy's Rotation. x right, y up, z to the camera: roll clockwise is about -z, looking down is about +x."""
    matrix = np.eye(4)
    matrix[:3, :3] = 7.0 * Rotation.from_euler("YXZ", [yaw, pitch, -roll], degrees=True).as_matrix()
    got = landmarks.angles(matrix)
    assert got[0] == pytest.approx(yaw, abs=1e-9) and got[1] == pytest.approx(pitch, abs=1e-9)
    if yaw == 0 and pitch == 0:
        assert got[2] == pytest.approx(roll, abs=1e-9)


def test_smooth_curve_is_the_centripetal_catmull_rom_spline():
    """Reference: scipy's Hermite spline with the tangents that Barry and Goldman (1988) give for centripetal knots (from memory:
    m_i = (p_i - p_i-1)/d_i-1 - (p_i+1 - p_i-1)/(d_i-1 + d_i) + (p_i+1 - p_i)/d_i)."""
    points = np.array([[0.0, 0], [3, 1], [4, 5], [9, 6], [10, 2]])
    padded = np.vstack([2 * points[0] - points[1], points, 2 * points[-1] - points[-2]])
    d = np.sqrt(np.hypot(*np.diff(padded, axis=0).T))
    knots = np.concatenate([[0], np.cumsum(d)])
    p = padded
    tangent = [
        (p[i] - p[i - 1]) / d[i - 1] - (p[i + 1] - p[i - 1]) / (d[i - 1] + d[i]) + (p[i + 1] - p[i]) / d[i]
        for i in range(1, len(p) - 1)
    ]
    reference = CubicHermiteSpline(knots[1:-1], points, np.array(tangent))
    at = np.concatenate([np.linspace(knots[i], knots[i + 1], 12, endpoint=False) for i in range(1, len(points))] + [knots[-2:-1]])
    assert np.allclose(features.smooth(points), reference(at), atol=1e-9)


def test_colour_distance_is_mahalanobis():
    """Reference: scipy.spatial.distance.mahalanobis."""
    rng = np.random.default_rng(5)
    model = colours.fit(rng.normal([60, 12, 16], [8, 3, 4], (500, 3)))
    some = rng.normal([55, 10, 12], 10, (20, 3)).astype(np.float32)
    inverse = np.linalg.inv(model.covariance)
    expected = [mahalanobis(colour, model.mean, inverse) ** 2 for colour in some]
    assert np.allclose(model.distance(some), expected, rtol=1e-3)


def test_lab_is_cie_lab():
    """Reference: scikit-image's CIE L*a*b* (D65); the working copy is converted by OpenCV."""
    rgb = np.random.default_rng(6).random((8, 8, 3)).astype(np.float32)
    assert np.abs(cv2.cvtColor(rgb, cv2.COLOR_RGB2Lab) - rgb2lab(rgb)).max() < 0.6


def test_best_path_costs_what_a_shortest_path_costs():
    """Reference: scikit-image's route_through_array (Dijkstra) on the same grid, steps of at most one column."""
    rng = np.random.default_rng(7)
    score = rng.random((30, 9)).astype(np.float32)
    path = paths._solve(score, 50.0)  # so stiff that no step can pay: one column
    assert len(set(path)) == 1 and path[0] == score.sum(0).argmax()
    free = paths._solve(score, 0.0)
    assert (free == score.argmax(1)).all()
    ridge = np.full((30, 9), 1.0)
    wave = np.round(4 + 3 * np.sin(np.arange(30) / 5)).astype(int)
    ridge[np.arange(30), wave] = 0.01
    route, _ = route_through_array(ridge, (0, wave[0]), (29, wave[-1]), fully_connected=True)
    by_row = dict(route)
    ours = paths._solve((1 - ridge).astype(np.float32), 0.05)
    assert np.mean([by_row[row] == ours[row] for row in range(30)]) > 0.9


def test_iris_outline_is_an_ellipse_through_its_rim_points():
    """Reference: scikit-image's EllipseModel."""
    centre, a, b = np.array([40.0, 30]), np.array([9.0, 1.0]), np.array([-1.0, 8.0])
    rim = np.array([centre + a, centre + b, centre - a, centre - b])
    outline = features.iris_ellipse(centre, rim, features.Scale(100.0))
    model = EllipseModel()
    assert model.estimate(outline)
    assert np.abs(model.residuals(outline)).max() < 1e-6
    assert np.allclose(model.params[:2], centre, atol=1e-6)
    assert np.abs(model.residuals(rim)).max() < 1e-6


def test_topology_uses_mediapipes_own_sets_and_calls_sides_the_subjects():
    """Reference: mediapipe's published connection sets; 33 lies in the subject's right eye."""
    from mediapipe.tasks.python.vision import FaceLandmarksConnections as Sets

    both = topology.sides()
    for side, eye, brow in (
        ("left", Sets.FACE_LANDMARKS_LEFT_EYE, Sets.FACE_LANDMARKS_LEFT_EYEBROW),
        ("right", Sets.FACE_LANDMARKS_RIGHT_EYE, Sets.FACE_LANDMARKS_RIGHT_EYEBROW),
    ):
        numbers = {number for pair in eye for number in (pair.start, pair.end)}
        assert set(both[side].upper_lid) | set(both[side].lower_lid) == numbers
        assert both[side].upper_lid[0] == both[side].lower_lid[0] == both[side].outer_corner
        assert both[side].upper_lid[-1] == both[side].lower_lid[-1] == both[side].inner_corner
        brows = {number for pair in brow for number in (pair.start, pair.end)}
        assert set(both[side].brow_top) | set(both[side].brow_bottom) == brows
    assert 33 in both["right"].upper_lid and 263 in both["left"].upper_lid
    lips = {number for pair in Sets.FACE_LANDMARKS_LIPS for number in (pair.start, pair.end)}
    chains = topology.lips()
    assert set(chains.upper_outer) | set(chains.upper_inner) | set(chains.lower_inner) | set(chains.lower_outer) == lips
    oval = {number for pair in Sets.FACE_LANDMARKS_FACE_OVAL for number in (pair.start, pair.end)}
    assert set(both["left"].jaw) | set(both["left"].cheek) <= oval
