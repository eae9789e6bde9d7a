"""The reference's copy: the very same pixels, and nothing about camera, place or person. The strip of rounds."""

import io

import numpy as np
import pytest
from piece_kit import report
from PIL import Image, ImageCms, TiffImagePlugin

from featurediff.errors import PictureError
from featurediff.pictures import read_picture
from featurediff.piece import strip
from featurediff.piece.follow import follow
from featurediff.piece.pictures import copy_of, opened, squared_jpeg, without_metadata
from featurediff.piece.records import Piece
from featurediff.settings import Settings

SECRET = "Quince Lane 7"


@pytest.fixture(scope="module")
def pixels():
    rng = np.random.default_rng(5)
    smooth = Image.fromarray(rng.integers(0, 255, (12, 9, 3), dtype=np.uint8)).resize((180, 240), Image.Resampling.BICUBIC)
    return np.asarray(smooth)


def exif(orientation=1):
    """A camera's EXIF block: maker, comment, place, orientation."""
    block = Image.Exif()
    block[0x010F], block[0x9286], block[0x0112] = SECRET, SECRET, orientation
    block[0x8825] = {1: "N", 2: tuple(TiffImagePlugin.IFDRational(v) for v in (51, 28, 38))}
    return block


SAVED = {
    "baseline": {"quality": 90},
    "progressive": {"quality": 80, "progressive": True},
    "restarts": {"quality": 85, "restart_marker_blocks": 3},
    "all colours": {"quality": 95, "subsampling": 0},
    "optimised": {"quality": 30, "optimize": True},
}


@pytest.mark.parametrize("how", SAVED)
def test_a_jpeg_keeps_its_bytes_but_not_its_secrets(pixels, tmp_path, how):
    path = tmp_path / "photo.jpg"
    Image.fromarray(pixels).save(path, exif=exif(), comment=SECRET, xmp=SECRET.encode(), **SAVED[how])
    path.write_bytes(path.read_bytes() + b"MotionPhoto " + SECRET.encode())
    assert path.read_bytes().count(SECRET.encode()) >= 4, "the test's own secrets are there to leak"
    name, data = copy_of(path)
    assert name == "reference.jpg"
    assert b"Quince" not in data
    assert len(data) < path.stat().st_size
    (tmp_path / name).write_bytes(data)
    assert np.array_equal(read_picture(tmp_path / name).pixels, read_picture(path).pixels)
    with Image.open(io.BytesIO(data)) as image:
        assert not image.getexif()
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive", "progression", "dpi"}


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
def test_other_colours(pixels, tmp_path, mode):
    path = tmp_path / "photo.jpg"
    Image.fromarray(pixels).convert(mode).save(path, exif=exif(), quality=90)
    name, data = copy_of(path)
    assert name == ("reference.png" if mode == "CMYK" else "reference.jpg")
    (tmp_path / name).write_bytes(data)
    assert np.array_equal(read_picture(tmp_path / name).pixels, read_picture(path).pixels)
    assert b"Quince" not in data


@pytest.mark.parametrize("orientation", range(2, 9))
def test_a_turned_picture_becomes_upright(pixels, tmp_path, orientation):
    path = tmp_path / "photo.jpg"
    Image.fromarray(pixels).save(path, exif=exif(orientation), quality=90)
    name, data = copy_of(path)
    (tmp_path / name).write_bytes(data)
    copy = read_picture(tmp_path / name)
    assert name == "reference.png"
    assert (copy.orientation, copy.notes) == (1, ())
    assert np.array_equal(copy.pixels, read_picture(path).pixels)
    assert b"Quince" not in data


def test_a_colour_profile_is_applied_once(pixels, tmp_path):
    path = tmp_path / "photo.jpg"
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("XYZ")).tobytes()
    Image.fromarray(pixels).save(path, icc_profile=lab, quality=90)
    name, data = copy_of(path)
    (tmp_path / name).write_bytes(data)
    assert np.array_equal(read_picture(tmp_path / name).pixels, read_picture(path).pixels)
    srgb = tmp_path / "srgb.jpg"
    Image.fromarray(pixels).save(srgb, icc_profile=ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(), quality=90)
    assert copy_of(srgb)[0] == "reference.jpg"


@pytest.mark.parametrize("suffix", ["png", "webp", "tiff"])
def test_other_files_become_an_exact_png(pixels, tmp_path, suffix):
    path = tmp_path / f"photo.{suffix}"
    block = exif()
    if suffix == "tiff":
        del block[0x8825]  # Pillow does not write a place into a TIFF
    Image.fromarray(pixels).save(path, exif=block)
    name, data = copy_of(path)
    assert name == "reference.png"
    with Image.open(io.BytesIO(data)) as image:
        assert np.array_equal(np.asarray(image), read_picture(path).pixels)
        assert not image.info
    assert b"Quince" not in data


def test_bytes_that_are_no_jpeg_are_not_understood():
    rng = np.random.default_rng(1)
    whole = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (40, 40, 3), dtype=np.uint8)).save(whole, "JPEG")
    whole = whole.getvalue()
    for k in range(300):
        data = bytearray(whole[: int(rng.integers(3, len(whole)))] if k % 2 else whole)
        for _ in range(int(rng.integers(0, 20))):
            data[int(rng.integers(2, len(data)))] = int(rng.integers(256))
        found = without_metadata(bytes(data))  # never an exception
        assert found is None or found[:2] == b"\xff\xd8"


def test_a_reference_that_is_no_picture(tmp_path):
    (tmp_path / "a.jpg").write_bytes(b"\xff\xd8\xff nothing")
    with pytest.raises(PictureError):
        copy_of(tmp_path / "a.jpg")


def test_the_squared_drawing_has_no_metadata(pixels):
    with Image.open(io.BytesIO(squared_jpeg(pixels))) as image:
        assert image.size == (180, 240)
        assert not image.getexif()
        # A grey value is kept within what JPEG rounds away.
        assert np.abs(np.asarray(image.convert("L"), int) - np.asarray(Image.fromarray(pixels).convert("L"), int)).mean() < 2


# ---------------------------------------------------------------- the strip


def rounds(*offs):
    from dataclasses import replace

    found = []
    for off in offs:
        record, _ = follow(report(off), Settings(subject="jugs"), found)
        found.append(replace(record, px_per_unit=2.0))
    return Piece(Settings(subject="jugs"), (), tuple(found))


def sheet(_number=1):
    return squared_jpeg(np.full((594, 420, 3), 245, np.uint8))


def test_the_strip_shows_every_round_and_a_shrinking_error():
    piece = rounds({"rim": (0, 6), "foot": (4, 0)}, {"rim": (0, 2), "foot": (4, 0)}, {})
    with Image.open(io.BytesIO(strip.strip(piece, sheet))) as image:
        page = np.asarray(image.convert("RGB")).astype(int)
    panel = strip.PANEL + strip._GAP
    assert page.shape[1] == 3 * panel + strip._GAP
    red = (page[..., 0] > 100) & (page[..., 1] < 70) & (page[..., 2] < 80)
    bars = [red[:, k * panel : (k + 1) * panel].any(0).sum() for k in range(3)]
    assert bars[0] > 0.95 * strip.PANEL
    assert bars[1] == pytest.approx(4 / 6 * strip.PANEL, rel=0.03)
    assert bars[2] == 0
    # The numbers of the open items stand on the drawings, at their places: the rim at (100, 92 + 6) mm, 2 px to the mm.
    shrink = strip.PANEL / 420
    dark = page.sum(2) < 150
    x, y = round(100 * 2 * shrink + strip._GAP), round(98 * 2 * shrink + strip._GAP)
    assert dark[y - 2 : y + 3, x - 2 : x + 3].mean() >= 0.5
    assert dark[y - 70 : y + 70, x - 70 : x + 70].sum() > 200, "its number is beside it"
    assert not dark[strip._GAP + 1 : 500, 2 * panel + strip._GAP + 1 : 3 * panel].any(), "nothing is left in round 3"


def test_many_rounds_go_into_rows():
    piece = rounds(*[{"rim": (0, 3)}] * 9)
    with Image.open(io.BytesIO(strip.strip(piece, sheet))) as image:
        assert image.width == strip.IN_A_ROW * (strip.PANEL + strip._GAP) + strip._GAP
        assert image.height > 3 * 500


def test_a_damaged_picture_is_told():
    for data in (b"", b"no picture", squared_jpeg(np.zeros((9, 9, 3), np.uint8))[:60]):
        with pytest.raises(PictureError, match="round 1"):
            strip.strip(rounds({"rim": (0, 3)}), lambda _, data=data: data)


def test_too_large_a_picture_is_not_decoded():
    data = io.BytesIO()
    Image.new("L", (9000, 9000)).save(data, "JPEG")
    with pytest.raises(PictureError, match="too large"):
        opened(data.getvalue(), "The picture of round 1")
