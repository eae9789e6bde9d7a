"""The acceptance scenarios on whole pictures: drawn by the simulator, photographed, compared as an artist would.

Only faces to develop on (seeds below 100). The photographs are of 6 megapixels, so that the file runs in about two minutes; what
holds over many faces and hands is measured by tests/benchmark/portraits.py.
"""

import math
import re
from types import SimpleNamespace

import numpy as np
import pillow_heif
import pytest
from PIL import Image

import featurediff
from featurediff.errors import RegistrationError, SubjectError
from featurediff.report.text import render
from featurediff.testing import mistakes
from featurediff.testing.camera import photograph
from featurediff.testing.hands import draw, place
from featurediff.testing.scenes import rendered_face
from featurediff.testing.warp import Warp

data = pytest.importorskip("skimage.data")

FACE = 21
MEGAPIXELS = 6
CLOSE_ENOUGH = "Close enough to paint."
# The scenarios ask for amounts within half a millimetre.
WITHIN_MM = 0.5


def parted(text: str) -> tuple[str, float]:
    """A sentence with # for its amount in mm, and the amount."""
    amount = re.search(r"(\d+(?:\.\d)?) mm", text)
    return text.replace(amount.group(0), "# mm"), float(amount.group(1))


@pytest.fixture(scope="module")
def face():
    """The reference, and its placement on A4 with a head of 160 mm."""
    scene = rendered_face(FACE)
    placement = place(scene)
    return SimpleNamespace(scene=scene, pixels=scene.pixels, placement=placement, px=1.0 / placement.mm_per_px)


def drawn(face, warp: Warp | None = None, hand: str = "restated", *, placement=None, seed: int = 1, only=None):
    """The finished sheet, square on."""
    return draw(face.scene, warp, hand=hand, placement=placement or face.placement, seed=seed, only=only)


def taken(sheet, **camera):
    """Its photograph on a wooden table: a `featurediff.testing.camera.Photo`."""
    return photograph(sheet, **{"megapixels": MEGAPIXELS, "tilt_deg": 1.5, "tilt_axis_deg": 40.0, "seed": 3, **camera})


def check(reference, drawing, **options) -> featurediff.Report:
    return featurediff.check(reference, drawing, **{"subject": "faces", "sheet": "A4", **options})


def texts(report: featurediff.Report) -> list[str]:
    """All statements, those that can wait included."""
    return [each.text for each in report.corrections + report.later]


def swapped(text: str) -> str:
    return text.replace("left", "#").replace("right", "left").replace("#", "right")


# ---------------------------------------------------------------- 1 to 5: what the list says


@pytest.mark.parametrize("hand", ["restated", "tonal"])
def test_1_a_perfect_copy_smaller_turned_and_moved_has_nothing_to_fix(face, hand):
    """Scaled by 0.7, turned by 7 degrees, moved: that is the artist's plan, and told apart from errors."""
    elsewhere = place(face.scene, height_mm=112.0, turn_deg=7.0, centre=(92.0, 148.0))
    report = check(face.pixels, taken(drawn(face, hand=hand, placement=elsewhere)).pixels)
    assert texts(report) == []
    assert CLOSE_ENOUGH in render(report)
    assert report.size_mm == pytest.approx(112.0, rel=0.015)
    assert report.lineup.turn_deg == pytest.approx(7.0, abs=0.5)
    assert "turned 7" in render(report) or "turned 6.9" in render(report)


@pytest.fixture(scope="module")
def low_brow(face):
    """The brow on the left drawn 3 mm low, in clean line; its photograph and its list."""
    sheet = drawn(face, mistakes.moved(face.scene, (mistakes.brow("left"), (0.0, 3.0 * face.px))), "clean")
    photo = taken(sheet)
    return SimpleNamespace(sheet=sheet, photo=photo, report=check(face.pixels, photo.pixels))


def test_2_a_low_brow_is_the_one_item(low_brow):
    said = texts(low_brow.report)
    assert len(said) == 1
    assert said[0].startswith("Raise the brow on the left 3 mm")
    move = low_brow.report.corrections[0].move_mm
    assert move == pytest.approx((0.0, -3.0), abs=0.5)


def test_4_eye_and_brow_together_are_one_item(face):
    words = mistakes.eye("right") + mistakes.brow("right")
    sheet = drawn(face, mistakes.moved(face.scene, (words, (3.0 * face.px, 0.0))), "tonal")
    said = texts(check(face.pixels, taken(sheet).pixels))
    assert len(said) == 1
    assert said[0].startswith("Move the eye on the right and its brow together 3 mm left")


def test_5_a_long_nose_takes_the_rest_with_it(face):
    said = texts(check(face.pixels, taken(drawn(face, mistakes.nose_long(face.scene, 3.0 * face.px))).pixels))
    assert len(said) == 1
    words, amount = parted(said[0])
    assert words.startswith("Shorten the nose # mm; mouth and chin come up with it")
    assert abs(amount - 3.0) <= WITHIN_MM


# ---------------------------------------------------------------- 6: tilt and trust


def with_lens(photo, path) -> str:
    """The photograph as a JPEG file whose EXIF block names the lens, as cameras do (Exif 2.32, tag FocalLengthIn35mmFilm)."""
    height, width = photo.pixels.shape[:2]
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = round(photo.camera[0, 0] / math.hypot(width, height) * math.hypot(36, 24))
    Image.fromarray(photo.pixels).save(path, quality=92, exif=exif)
    return str(path)


def test_6_three_degrees_of_tilt_are_taken_out_and_stated(face, tmp_path):
    photo = taken(drawn(face, hand="clean"), tilt_deg=3.0, distance_mm=600.0, tilt_axis_deg=30.0)
    report = check(face.pixels, with_lens(photo, tmp_path / "sheet.jpg"))
    assert texts(report) == []
    assert report.sheet.tilt_deg == pytest.approx(3.0, abs=1.0)
    assert "camera tilted" in render(report)


@pytest.mark.parametrize(("low_mm", "listed"), [(3.0, False), (6.5, True)])
def test_6_with_page_edges_out_of_the_picture_small_errors_are_not_listed(face, low_mm, listed):
    """Without the page nothing under 4 mm is listed (2.5 % of a head of 160 mm), and the text says so."""
    sheet = drawn(face, mistakes.moved(face.scene, (mistakes.brow("left"), (0.0, low_mm * face.px))), "clean")
    report = check(face.pixels, taken(sheet, tilt_deg=3.0, distance_mm=600.0, crop=(0.13, 0.14, 0.87, 0.87)).pixels)
    assert not report.sheet.squared
    assert report.sheet.unit == "%"
    assert report.sheet.trust_mm >= 2.5
    assert "trusted to 2.5 % of the head height" in render(report)
    said = texts(report)
    assert len(said) == listed
    assert not listed or said[0].startswith("Raise the brow on the left 4 % of the head height")


# ---------------------------------------------------------------- 8: the same photograph as files


# How a camera that was held so stores the upright picture (Exif 2.32, tag Orientation): undone by the reader.
STORED = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.transpose(1, 0, 2),
    6: lambda p: np.rot90(p),
    7: lambda p: p.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda p: np.rot90(p, -1),
}


@pytest.mark.parametrize("orientation", STORED)
def test_8_every_exif_orientation_gives_the_same_list(face, low_brow, tmp_path, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = Image.fromarray(np.ascontiguousarray(STORED[orientation](low_brow.photo.pixels)))
    stored.save(tmp_path / "sheet.jpg", quality=95, exif=exif)
    report = check(face.pixels, tmp_path / "sheet.jpg")
    assert texts(report) == texts(low_brow.report)
    assert report.sheet.size_mm == (210.0, 297.0)


def test_8_heic_gives_the_same_list(face, low_brow, tmp_path):
    pillow_heif.from_pillow(Image.fromarray(low_brow.photo.pixels)).save(tmp_path / "sheet.heic", quality=90)
    assert texts(check(face.pixels, tmp_path / "sheet.heic")) == texts(low_brow.report)


# ---------------------------------------------------------------- 9: mirrored pictures


def test_9_a_mirrored_reference_is_told(face, low_brow):
    with pytest.raises(RegistrationError, match="mirror image"):
        check(np.ascontiguousarray(face.pixels[:, ::-1]), low_brow.photo.pixels)


def test_9_mirrored_reference_and_drawing_give_the_mirrored_list(face):
    """Sides and directions are the picture's: where both pictures are flipped, left and right change places in every sentence."""
    words = mistakes.eye("right") + mistakes.brow("right")
    warp = mistakes.moved(face.scene, (words, (3.0 * face.px, 0.0)), (mistakes.MOUTH, (0.0, 3.5 * face.px)))
    sheet = drawn(face, warp, "clean").pixels
    straight = check(face.pixels, sheet, scan=True)
    flipped = check(np.ascontiguousarray(face.pixels[:, ::-1]), np.ascontiguousarray(sheet[:, ::-1]), scan=True)
    said = sorted(texts(straight))
    assert len(said) == 2
    assert said[0].startswith("Move the eye on the right and its brow together 3 mm left")
    assert said[1].startswith("Raise the mouth 3.5 mm")
    back = sorted(swapped(text) for text in texts(flipped))
    assert [parted(text)[0] for text in back] == [parted(text)[0] for text in said]
    assert all(abs(parted(a)[1] - parted(b)[1]) <= WITHIN_MM for a, b in zip(back, said, strict=True))


def test_9_the_sitters_sides_rename_parts_but_not_directions(face):
    sheet = drawn(face, mistakes.moved(face.scene, (mistakes.brow("right"), (3.5 * face.px, 0.0))), "clean")
    said = texts(check(face.pixels, sheet.pixels, scan=True, sides="sitter"))
    assert len(said) == 1
    assert said[0].startswith("Move the sitter's left brow 3.5 mm left")


# ---------------------------------------------------------------- 10: eyes only so far


@pytest.mark.parametrize("moved_mm", [0.0, -3.0])
def test_10_eyes_only_are_judged_and_nothing_else(face, moved_mm):
    """Eyes and brows are drawn, nothing else: the list is about them at most, and says what is not judged."""
    warp = mistakes.moved(face.scene, (mistakes.eye("left"), (0.0, moved_mm * face.px))) if moved_mm else None
    report = check(face.pixels, taken(drawn(face, warp, "partial")).pixels)
    said = texts(report)
    assert len(said) == bool(moved_mm)
    if moved_mm:
        assert said[0].startswith("Lower the eye on the left ")
        # The amount within half a millimetre, as scenario 2 asks.
        assert report.corrections[0].move_mm == pytest.approx((0.0, -moved_mm), abs=0.5)
    judged = {each.name for each in report.features if each.found}
    assert {"eye on the left", "eye on the right"} <= judged
    assert all(any(word in name for word in ("eye", "lid", "iris", "brow")) for name in judged)
    assert {"chin", "mouth line", "hairline"} <= {each.feature for each in report.not_judged}
    assert CLOSE_ENOUGH not in render(report)


# ---------------------------------------------------------------- what can't be compared


def test_a_reference_without_a_face_is_refused(low_brow):
    with pytest.raises(SubjectError, match="face"):
        check(data.coffee(), low_brow.photo.pixels)


@pytest.mark.parametrize("picture", ["coffee", "chelsea"])
def test_a_picture_of_something_else_is_no_drawing_of_it(face, picture):
    """scikit-image's photographs of a cup and of a cat, given as if they were the sheet."""
    with pytest.raises(RegistrationError, match="does not look like the reference"):
        check(face.pixels, getattr(data, picture)(), sheet=None, px_per_mm=2.0)


def test_a_blank_sheet_is_refused(face):
    blank = drawn(face, only=("no such curve",))
    with pytest.raises(RegistrationError, match="does not look like the reference"):
        check(face.pixels, taken(blank).pixels)


def test_an_upside_down_photograph_is_told(face, low_brow):
    with pytest.raises(RegistrationError, match="upside down"):
        check(face.pixels, np.ascontiguousarray(low_brow.photo.pixels[::-1, ::-1]))
