"""The simulated camera against OpenCV's own pinhole model and against plain perspective geometry."""

import cv2
import numpy as np
import pytest

from featurediff.geometry import apply, fit_similarity
from featurediff.testing.camera import FLOORS, photograph
from featurediff.testing.hands import Placement, SimulatedSheet

A4 = (210.0, 297.0)
CORNERS = np.array([[0.0, 0.0], [210.0, 0.0], [210.0, 297.0], [0.0, 297.0]])


@pytest.fixture(scope="module")
def sheet() -> SimulatedSheet:
    """A white A4 sheet with small black discs at known places."""
    k = 6.0
    pixels = np.full((round(297 * k), round(210 * k), 3), 235, np.uint8)
    for x, y in DISCS:
        cv2.circle(
            pixels, (round((x * k - 0.5) * 16), round((y * k - 0.5) * 16)), round(2.0 * k * 16), (20,) * 3, -1, cv2.LINE_AA, 4
        )
    return SimulatedSheet(pixels, k, Placement(A4, 0.2, 0.0, (0.0, 0.0)), None)


DISCS = [(20.0, 20.0), (190.0, 20.0), (105.0, 150.0), (20.0, 277.0), (190.0, 277.0), (60.0, 200.0)]


def _rvec(photo):
    return cv2.Rodrigues(photo.rotation)[0]


@pytest.mark.parametrize(
    "options", [{}, {"tilt_deg": 5, "tilt_axis_deg": 30, "turn_deg": 8, "barrel": -0.02}, {"distance_mm": 600, "tilt_deg": 3}]
)
def test_projection_agrees_with_opencv(sheet, options):
    photo = photograph(sheet, megapixels=1.0, seed=2, **options)
    world = np.column_stack([CORNERS, np.zeros(4)])
    radial = np.array([photo.radial, 0.0, 0.0, 0.0])
    expected, _ = cv2.projectPoints(world, _rvec(photo), photo.translation, photo.camera, radial)
    assert np.abs(photo.project(CORNERS) - expected[:, 0]).max() < 1e-6


@pytest.mark.parametrize("barrel", [0.0, -0.015])
def test_marks_and_edges_are_seen_where_the_camera_says(sheet, barrel):
    photo = photograph(
        sheet, megapixels=6.0, tilt_deg=6, tilt_axis_deg=70, turn_deg=-7, floor="dark", noise_level=0.5, barrel=barrel, seed=4
    )
    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY).astype(float)
    for at, true in zip(photo.project(np.array(DISCS)), DISCS, strict=True):
        x, y = np.round(at).astype(int)
        patch = 255 - grey[y - 40 : y + 41, x - 40 : x + 41]
        weight = np.clip(patch - 120, 0, None)
        ys, xs = np.mgrid[-40:41, -40:41]
        middle = np.array([(xs * weight).sum(), (ys * weight).sum()]) / weight.sum() + [x, y]
        # A tilted disc's centroid is not exactly its centre; at these sizes the difference is below 0.1 px.
        assert np.abs(middle - at).max() < 0.3, true
    # The page's left edge: half way between floor and paper, read across it.
    for y_mm in (60.0, 150.0, 240.0):
        inner, outer = photo.project(np.array([[2.0, y_mm], [-2.0, y_mm]]))
        t = np.linspace(0, 1, 400)
        line = outer + t[:, None] * (inner - outer)
        values = cv2.remap(
            grey.astype(np.float32), line[:, 0].astype(np.float32)[None], line[:, 1].astype(np.float32)[None], cv2.INTER_LINEAR
        )[0]
        half = 0.5 * (values[:40].mean() + values[-40:].mean())
        crossing = t[np.argmax(values > half)]
        assert abs(-2.0 + 4.0 * crossing) < 0.08, "the edge is more than 0.08 mm off"


@pytest.mark.parametrize(("tilt", "expected"), [(1, 0.6), (2, 1.2), (3, 1.9), (5, 3.1)])
def test_false_error_of_a_tilted_capture(sheet, tilt, expected):
    """A4 at 600 mm, tilted about its short side's direction: largest residual after the best similarity fitted on the whole page.

    Pinhole geometry; the expected values are the project's earlier, separate computation of the same, not a published source.
    """
    grid = np.stack(np.meshgrid(np.linspace(0, 210, 15), np.linspace(0, 297, 21)), -1).reshape(-1, 2)
    photo = photograph(sheet, megapixels=0.3, distance_mm=600, tilt_deg=tilt, jpeg_quality=0)
    seen = apply(photo.to_px, grid)
    residual = np.hypot(*(apply(fit_similarity(seen, grid), seen) - grid).T)
    assert residual.max() == pytest.approx(expected, abs=0.06)


def test_positive_tilt_makes_the_top_recede(sheet):
    photo = photograph(sheet, megapixels=0.3, tilt_deg=10)
    top_left, top_right, bottom_right, bottom_left = photo.project(CORNERS)
    assert top_right[0] - top_left[0] < bottom_right[0] - bottom_left[0]


def test_page_fills_the_frame_as_asked_and_the_crop_shifts(sheet):
    photo = photograph(sheet, megapixels=1.0, fill=0.8, jpeg_quality=0)
    h, w = photo.pixels.shape[:2]
    assert w * 4 == h * 3
    size = np.ptp(photo.project(CORNERS), axis=0)
    assert max(size[0] / w, size[1] / h) == pytest.approx(0.8, abs=0.01)
    cut = photograph(sheet, megapixels=1.0, fill=0.8, jpeg_quality=0, crop=(0.2, 0.1, 0.9, 1.0))
    assert np.allclose(photo.project(CORNERS) - cut.project(CORNERS), [round(0.2 * w), round(0.1 * h)])
    assert np.array_equal(cut.pixels, photo.pixels[round(0.1 * h) :, round(0.2 * w) : round(0.9 * w)])


@pytest.mark.parametrize("floor", list(FLOORS))
def test_floors_differ_from_paper_and_repeat_by_seed(sheet, floor):
    one, two = (
        photograph(sheet, megapixels=0.5, floor=floor, shadow=0.5, curl_mm=1.0, deckle_mm=1.0, seed=9).pixels for _ in (0, 1)
    )
    assert np.array_equal(one, two)
    h, w = one.shape[:2]
    paper, ground = one[h // 3, w // 2].astype(float).mean(), one[:8].astype(float).mean()
    assert ground < paper + 10
