"""The still lifes' geometry against published facts and against OpenCV and scikit-image."""

import math
import warnings

import cv2
import numpy as np
import pytest
from skimage.measure import EllipseModel

from featurediff.testing.table.ellipses import circle, seen_circle
from featurediff.testing.table.solids import Levels, Tube, contour
from featurediff.testing.table.view import look

SIZE = (1500, 1200)


@pytest.mark.parametrize("elevation", [10, 20, 30, 45])
def test_short_over_long_is_the_sine_of_the_elevation(elevation):
    """Geometry: a level circle on the view axis, small against its distance, is an ellipse of openness sin(elevation)."""
    view = look(np.array([0.0, 0.0, 50.0]), elevation, 5000.0, 20000.0, SIZE)
    ellipse = seen_circle(view, np.array([0.0, 0.0, 50.0]), 20.0)
    assert view.elevation_deg == pytest.approx(elevation)
    assert ellipse.openness == pytest.approx(math.sin(math.radians(elevation)), abs=2e-4)
    assert ellipse.angle_deg == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("at", "radius", "elevation"), [((140, -60, 30), 85, 18), ((-180, 90, 250), 14, 41), ((30, 10, 0), 60, 11)]
)
def test_a_circles_ellipse_is_what_opencv_projects_and_scikit_image_fits(at, radius, elevation):
    view = look(np.array([10.0, -20.0, 70.0]), elevation, 1000.0, 2600.0, SIZE)
    ellipse = seen_circle(view, np.array(at, float), radius)
    points = circle(np.array(at, float), radius, 200)
    turn, _ = cv2.Rodrigues(view.rotation)
    px = cv2.projectPoints(points, turn, view.translation, view.camera, None)[0][:, 0]
    assert np.abs(view.project(points) - px).max() < 1e-6
    with warnings.catch_warnings():
        # From 0.26 on the fit is asked for in another way; this one works in every release that the tests allow.
        warnings.simplefilter("ignore", FutureWarning)
        model = EllipseModel()
        assert model.estimate(px)
        x, y, a, b, theta = model.params
    if a < b:
        a, b, theta = b, a, theta + math.pi / 2
    assert ellipse.centre == pytest.approx((x, y), abs=1e-3)
    assert (ellipse.long, ellipse.short) == pytest.approx((a, b), abs=1e-3)
    assert (ellipse.angle_deg - math.degrees(theta) + 90) % 180 - 90 == pytest.approx(0, abs=0.01)
    # Under a pinhole the ellipse's middle is not the image of the circle's.
    assert np.abs(view.project(np.array(at, float)) - ellipse.centre).max() > 0.1


@pytest.mark.parametrize("elevation", [12, 30, 44])
def test_a_spheres_contour_is_a_cone(elevation):
    """Geometry: seen from d, a sphere of radius R is bounded by a cone of half angle asin(R / d) about the way to its centre."""
    radius, middle = 40.0, np.array([120.0, -30.0, 40.0])
    turn = np.linspace(0, math.pi, 421)
    levels = Levels(
        np.maximum(radius * np.sin(turn), 0), np.full(421, middle[0]), np.full(421, middle[1]), middle[2] - radius * np.cos(turn)
    )
    view = look(np.array([0.0, 0.0, 60.0]), elevation, 900.0, 2500.0, SIZE)
    (run,) = contour(levels, view)
    assert run.closed_low
    assert run.closed_high
    points = np.vstack([run.left, run.right])
    rays, way = points - view.centre, middle - view.centre
    cos = rays @ way / np.linalg.norm(rays, axis=1) / np.linalg.norm(way)
    off_px = (np.arccos(cos) - math.asin(radius / np.linalg.norm(way))) * 2500.0
    assert np.abs(off_px).max() < 0.02
    # It is closed: the two sides meet at both ends.
    assert np.abs(view.project(run.left[[0, -1]]) - view.project(run.right[[0, -1]])).max() < 0.05
    gaps = np.hypot(*np.diff(view.project(run.left), axis=0).T)
    assert gaps.max() < 3.0


@pytest.mark.parametrize("slope", [0.0, -0.06])
def test_a_tubes_contour_touches_its_spheres(slope):
    """Geometry: a ray through the contour of a canal surface touches the sphere that bounds it there."""
    t = np.linspace(0, 1, 60)
    course = np.column_stack([60 * t, 25 * np.sin(2 * t), 90 + 40 * t])
    tube = Tube(course, 8.0 + slope * 60 * t)
    view = look(np.array([0.0, 0.0, 80.0]), 25, 1000.0, 2600.0, SIZE)
    for line in tube.contour(view):
        rays = line - view.centre
        rays /= np.linalg.norm(rays, axis=1)[:, None]
        to = course[:, None] - view.centre
        gap = np.linalg.norm(to - (to * rays[None]).sum(2)[..., None] * rays[None], axis=2) - tube.radius[:, None]
        # No sphere reaches over the ray, and the nearest one just touches it (they are 1.7 mm apart along the tube).
        assert gap.min() > -0.02
        assert np.abs(gap.min(0)[3:-3]).max() < 0.06
