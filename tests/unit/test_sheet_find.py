"""The sheet in simulated photographs with known cameras, and every way in which it can't be found."""

from __future__ import annotations

import numpy as np
import pytest
from sheet_kit import A4, drawn_sheet, taken, worst_mm

from featurediff.errors import CallError, SheetError
from featurediff.geometry import apply
from featurediff.records import Picture
from featurediff.sheet.find import find_sheet
from featurediff.sheet.squaring import square
from featurediff.sheet.trust import sigma_at
from featurediff.testing import props
from featurediff.testing.camera import FLOORS


def texts(sheet) -> str:
    return " ".join(advice.text for advice in sheet.advice)


@pytest.mark.parametrize("floor", list(FLOORS))
@pytest.mark.parametrize("near_edges", [False, True])
def test_floors_and_drawings_near_the_edges(floor, near_edges):
    picture, photo = taken(near_edges=near_edges, floor=floor, tilt_deg=3, shadow=0.7, seed=11)
    sheet = find_sheet(picture, A4)
    assert sheet.squared and sheet.size_mm == A4 and sheet.unit == "mm"
    assert worst_mm(sheet, photo) < 0.35
    assert abs(sheet.tilt_deg - 3) < 1


@pytest.mark.parametrize("turn", [0, 90])
def test_boards_parallel_to_the_page(turn):
    picture, photo = taken(floor="boards", turn_deg=0.4 + turn * 0, tilt_axis_deg=turn, tilt_deg=2, seed=3)
    assert worst_mm(find_sheet(picture, A4), photo) < 0.3


@pytest.mark.parametrize("trouble", [{"corner_mm": 8}, {"deckle_mm": 1.0}, {"barrel": 0.01}, {"curl_mm": 2}, {"noise_level": 5}])
def test_trouble_stays_within_twice_the_trust(trouble):
    picture, photo = taken(floor="wood", tilt_deg=2, seed=5, **trouble)
    sheet = find_sheet(picture, A4)
    assert worst_mm(sheet, photo) < 2 * sheet.trust_mm


@pytest.mark.parametrize("lifted_mm", [6.0, 14.0])
def test_a_curled_sheet_is_trusted_less_and_told(lifted_mm):
    """Bowed by more than 0.5 % of a side: trusted less; by more than 1 %: told to weight the corners (common practice)."""
    picture, photo = taken(floor="wood", tilt_deg=2, seed=5, lifted_mm=lifted_mm)
    sheet = find_sheet(picture, A4)
    width, height = sheet.size_mm
    places = np.array([(x * width, y * height) for x in np.linspace(0.05, 0.95, 9) for y in np.linspace(0.05, 0.95, 9)])
    errors = np.hypot(*(apply(sheet.to_mm, photo.project(places)) - places).T)
    # The curl itself moves places on the paper by up to this share of the distance from the middle.
    assert sheet.trust_mm > errors.max()
    assert sheet.trust_mm > 0.1 * lifted_mm
    assert "weight the corners" in texts(sheet)


@pytest.mark.parametrize("seed", [5, 6])
def test_a_cockled_sheet_is_trusted_less(seed):
    plain = find_sheet(taken(seed=seed)[0], A4).trust_mm
    picture, photo = taken(seed=seed, curl_mm=4.0)
    sheet = find_sheet(picture, A4)
    assert sheet.trust_mm > 2 * plain
    assert worst_mm(sheet, photo) < 2 * sheet.trust_mm


@pytest.mark.parametrize("seed", [5, 6])
def test_a_sheet_on_other_sheets_is_told_from_them(seed):
    """The sheets of a pad, shifted by a few mm: their edges, not the drawn sheet's, lie outermost on two sides."""
    beneath = props.sheets_beneath(A4, np.random.default_rng(seed))
    picture, photo = taken(tilt_deg=2, seed=seed, props=beneath)
    sheet = find_sheet(picture, A4)
    assert worst_mm(sheet, photo) < sheet.trust_mm
    assert "lies on other paper, whose edge shows up to 7 mm beside it" in texts(sheet)


def test_a_wash_along_one_edge_is_no_other_sheet():
    """A tone beside most of an edge ends on the paper."""
    wash = props.rectangle((150, 8), (100, 283), (170, 170, 172), soft_mm=0.5)
    picture, photo = taken(tilt_deg=2, seed=5, props=(wash,))
    sheet = find_sheet(picture, A4)
    assert worst_mm(sheet, photo) < 0.35
    assert "other paper" not in texts(sheet)


def test_trust_grows_with_trouble():
    plain = find_sheet(taken(seed=5)[0], A4).trust_mm
    assert 0.1 < plain < 0.8
    for trouble in ({"barrel": 0.02}, {"deckle_mm": 1.5}, {"megapixels": 0.3}):
        assert find_sheet(taken(seed=5, **trouble)[0], A4).trust_mm > 1.2 * plain


@pytest.mark.parametrize("tilt", [0, 2, 5, 10])
def test_tilt_within_a_degree(tilt):
    for axis in (0, 60, 90):
        picture, _ = taken(tilt_deg=tilt, tilt_axis_deg=axis, seed=tilt)
        assert abs(find_sheet(picture, A4).tilt_deg - tilt) < 1
        unnamed_lens = Picture(picture.pixels, "drawing.jpg")
        assert abs(find_sheet(unnamed_lens, A4).tilt_deg - tilt) < 1


def test_either_orientation_is_decided_by_the_photo():
    portrait, truth = taken(A4, tilt_deg=4, seed=1)
    for size in (A4, A4[::-1]):
        sheet = find_sheet(portrait, size)
        assert sheet.size_mm == A4 and worst_mm(sheet, truth) < 0.3
    landscape, truth = taken(A4[::-1], tilt_deg=4, seed=1)
    sheet = find_sheet(landscape, A4)
    assert sheet.size_mm == A4[::-1] and worst_mm(sheet, truth) < 0.3


def test_corners_run_from_the_top_left():
    sheet = find_sheet(taken(seed=2)[0], A4)
    mapped = apply(sheet.to_mm, sheet.corners_px)
    assert np.allclose(mapped, [[0, 0], [210, 0], [210, 297], [0, 297]], atol=1e-6)
    assert sheet.corners_px[0].sum() == sheet.corners_px.sum(1).min()


def test_one_corner_out_of_the_picture_is_extended():
    picture, photo = taken(turn_deg=10, fill=0.98, seed=4, crop=(0.0, 0.0, 0.9, 1.0))
    corners = photo.project(np.array([[0, 0], [210, 0], [210, 297], [0, 297]], float))
    height, width = picture.pixels.shape[:2]
    assert ((corners > [width, height]) | (corners < 0)).any(1).sum() == 1
    sheet = find_sheet(picture, A4)
    assert sheet.squared and "extended" in sheet.found
    assert worst_mm(sheet, photo) < 0.5


@pytest.mark.parametrize("crop", [(0.0, 0.0, 1.0, 0.8), (0.25, 0.0, 1.0, 1.0), (0.15, 0.15, 0.8, 0.85)])
def test_lost_page_edges_fall_back(crop):
    picture, _ = taken(seed=4, floor="cloth", crop=crop, tilt_deg=3)
    sheet = find_sheet(picture, A4)
    assert not sheet.squared and sheet.unit == "%" and sheet.corners_px is None and sheet.size_mm is None
    assert "without squaring" in texts(sheet)
    # Nothing is listed below twice the standard uncertainty: 4 mm on a head of 160 mm.
    assert 2 * sheet.corner_sigma_mm.max() / 100 * 160 == pytest.approx(4.0)


def test_no_page_at_all():
    rng = np.random.default_rng(0)
    noise = Picture(rng.integers(0, 255, (400, 500, 3), np.uint8), "noise.png")
    blank = Picture(np.full((400, 500, 3), 230, np.uint8), "blank.png")
    black = Picture(np.zeros((400, 500, 3), np.uint8), "black.png")
    for picture in (noise, blank, black):
        assert not find_sheet(picture, A4).squared


def test_wrong_sheet_name_is_doubted():
    sheet = find_sheet(taken(seed=6)[0], (215.9, 279.4))
    assert "is that its size" in texts(sheet)
    assert sheet.trust_mm > 2


def test_blurred_photo_is_refused_naming_the_limit():
    picture, _ = taken(seed=6, blur_px=7.0)
    with pytest.raises(SheetError, match=r"blurred.*limit is 2 mm"):
        find_sheet(picture, A4)
    softer, _ = taken(seed=6, blur_px=3.0)
    assert "soft" in texts(find_sheet(softer, A4))


def test_coarse_photo_gets_advice():
    assert "px per mm" in texts(find_sheet(taken(megapixels=1.0)[0], A4))
    assert "px per mm" not in texts(find_sheet(taken(megapixels=8.0)[0], A4))


def test_tiny_picture():
    with pytest.raises(SheetError, match="only"):
        find_sheet(Picture(np.zeros((50, 40, 3), np.uint8), "a.png"), A4)


# ---------------------------------------------------------------- without page edges


def test_scan():
    drawn = drawn_sheet()
    scan = Picture(drawn.pixels, "scan.png")
    sheet = find_sheet(scan, A4[::-1], scan=True)
    assert sheet.size_mm == A4 and sheet.px_per_mm == pytest.approx(4.0)
    assert np.allclose(sheet.to_mm, drawn.to_mm, atol=1e-9)
    assert np.array_equal(square(scan, sheet, 4.0), drawn.pixels)
    assert sheet.tilt_deg is None and sheet.squared
    with pytest.raises(SheetError, match="shape"):
        find_sheet(Picture(drawn.pixels[:900], "scan.png"), A4, scan=True)
    with pytest.raises(CallError):
        find_sheet(scan, None, scan=True)


def test_plain_scale():
    sheet = find_sheet(Picture(drawn_sheet().pixels, "a.png"), None, px_per_mm=4.0)
    assert not sheet.squared and sheet.unit == "mm"
    assert np.allclose(sheet.to_mm, drawn_sheet().to_mm)
    assert 2 * sheet.corner_sigma_mm.max() == pytest.approx(4.0, abs=0.01)
    for wrong in (0.0, -3.0, float("nan"), 1e6):
        with pytest.raises(CallError):
            find_sheet(Picture(drawn_sheet().pixels, "a.png"), None, px_per_mm=wrong)


def test_part_of_a_scan_at_the_scanners_scale_is_trusted_like_a_whole_one():
    drawn = drawn_sheet()
    whole = find_sheet(Picture(drawn.pixels, "scan.png"), A4, scan=True)
    part = find_sheet(Picture(drawn.pixels[:900], "scan.png"), A4, scan=True, px_per_mm=4.0)
    assert part.squared and part.unit == "mm" and part.tilt_deg is None
    assert part.trust_mm == pytest.approx(whole.trust_mm, abs=0.01)
    assert np.allclose(part.to_mm, drawn.to_mm)
    assert not any("tilt" in each.text for each in part.advice)


def test_no_size():
    sheet = find_sheet(taken()[0], None)
    assert sheet.unit == "%" and np.isnan(sheet.px_per_mm) and not sheet.squared
    assert np.allclose(apply(sheet.to_mm, np.array([[3.0, 5.0]])), [[3.5, 5.5]])


def test_sigma_is_interpolated_between_corners():
    sheet = find_sheet(taken(seed=2)[0], A4)
    at_corners = sigma_at(sheet, np.array([[0, 0], [210, 0], [210, 297], [0, 297]], float))
    assert np.allclose(at_corners, sheet.corner_sigma_mm)
    middle = sigma_at(sheet, np.array([[105.0, 148.5]]))
    assert middle[0] == pytest.approx(sheet.corner_sigma_mm.mean())


# ---------------------------------------------------------------- squaring


def test_squared_picture_shows_the_sheet_itself():
    picture, _ = taken(tilt_deg=4, seed=8, blur_px=0.3, noise_level=0.3, light_falloff=0.0, megapixels=8.0)
    sheet = find_sheet(picture, A4)
    squared = square(picture, sheet, 4.0)
    drawn = drawn_sheet().pixels
    assert squared.shape == drawn.shape
    inner = np.s_[40:-40, 40:-40]
    likeness = np.corrcoef(squared[inner].mean(2).ravel(), drawn[inner].mean(2).ravel())[0, 1]
    assert likeness > 0.95


def test_shrinking_averages():
    # One px stripes average to grey; bare sampling would keep black and white.
    stripes = np.zeros((1188, 840, 3), np.uint8)
    stripes[:, ::2] = 255
    scan = Picture(stripes, "scan.png")
    squared = square(scan, find_sheet(scan, A4, scan=True), 1.0)
    assert squared.shape == (297, 210, 3)
    assert squared.min() > 110 and squared.max() < 145
