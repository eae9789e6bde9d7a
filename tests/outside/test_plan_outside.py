"""What a plan says of a reference, beside geometry, an exact model of blur, and scikit-image's photographs."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy.special import erf

from featurediff.pictures import Taking
from featurediff.planning.plan import make_plan
from featurediff.planning.reference import blur_of, edge_spread
from featurediff.records import Feature, Picture, Subject

A4 = (210.0, 297.0)


@pytest.mark.parametrize("spread", [0.8, 1.5, 2.5, 4.0])
def test_the_blur_of_exact_edges(spread):
    """A step blurred by a Gaussian is an error function (definition): the spread put in comes out, for any contrast and slant."""
    for contrast, slope in ((130, 0.0), (60, 0.4), (90, -0.2)):
        y, x = np.mgrid[:300, :300]
        across = (x - 150 - slope * (y - 150)) / math.hypot(1, slope)
        noise = np.random.default_rng(1).normal(0, 1, across.shape)
        grey = np.clip(100 + contrast / 2 * erf(across / spread / math.sqrt(2)) + noise, 0, 255).astype(np.uint8)
        assert blur_of(grey) == pytest.approx(spread, rel=0.15, abs=0.3)


@pytest.mark.parametrize("name", ["astronaut", "coffee", "chelsea"])
def test_the_blur_of_photographs_blurred_on_purpose(name):
    """scikit-image's photographs, enlarged twice, blurred by known amounts: s = sqrt(s0^2 + known^2).

    Hairs and other thin lines are no single edges and read too sharp, the more so the less they are blurred.
    """
    from skimage import data

    grey = cv2.resize(cv2.cvtColor(getattr(data, name)(), cv2.COLOR_RGB2GRAY), None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    own = blur_of(grey)
    assert own < 2.0
    for known in (2.0, 3.0, 4.0, 6.0):
        assert blur_of(cv2.GaussianBlur(grey, (0, 0), known)) == pytest.approx(
            math.hypot(own, known), rel=0.35 if known < 4 else 0.2
        )


def test_sharp_references_are_not_called_blurred_and_blurred_ones_are():
    """Rendered scenes kept apart for reporting: at 160 mm on the paper sharp as they are, and out of focus by 1 mm of paper."""
    from featurediff.testing.scenes import rendered_face

    for scene in (rendered_face(101, size=(800, 1000)), rendered_face(104, size=(800, 1000))):
        pixels = scene.pixels
        h, w = pixels.shape[:2]
        frame = Feature("frame", "frame", "curve", np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], float), True)
        subject = Subject((frame,), 0.7 * h, "height", frame.points)
        px_per_mm = 0.7 * h / 160.0
        for blurred, told in ((pixels, False), (cv2.GaussianBlur(pixels, (0, 0), 1.0 * px_per_mm), True)):
            spread = edge_spread(blurred, subject)
            plan = make_plan("x", Picture(blurred, "x"), subject, Taking(), A4, height_mm=160.0 / 0.7)
            said = any("not sharp" in each.text for each in plan.remarks)
            assert said == told, (scene, spread)


@pytest.mark.parametrize(("distance_m", "told"), [(0.4, True), (0.6, True), (0.9, False), (2.0, False)])
def test_a_near_camera_by_the_pinhole(distance_m, told):
    """A head of 0.23 m (common practice, no source) seen through a pinhole from some distance: f * 0.23 / distance px high."""
    pixels = np.full((4000, 3000, 3), 128, np.uint8)
    focal_35mm = 50.0
    focal_px = focal_35mm / 43.267 * math.hypot(4000, 3000)  # diagonal of 36 x 24 mm
    high = focal_px * 0.23 / distance_m
    spots = [Feature(n, n, "point", np.array([[1500.0, y]])) for n, y in (("top", 2000 - high / 2), ("foot", 2000 + high / 2))]
    subject = Subject(tuple(spots), high, "head height", np.zeros((0, 2)), near_deg=17.0)
    plan = make_plan("x", Picture(pixels, "x"), subject, Taking(focal_35mm), A4, height_mm=150.0)
    near = [each.text for each in plan.remarks if "too near" in each.text]
    assert bool(near) == told
    if told:
        degrees = math.degrees(2 * math.atan(0.23 / 2 / distance_m))
        assert f"fills {degrees:.0f} degrees" in near[0]
