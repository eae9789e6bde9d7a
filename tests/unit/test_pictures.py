"""Every kind of file: read as it should be, or refused in one clear sentence."""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms

from featurediff.errors import CallError, PictureError
from featurediff.parts import rows_missing
from featurediff.pictures import read_picture

pillow_heif.register_heif_opener()  # to write HEIC files here

TRANSPOSES = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def scene(width: int = 60, height: int = 40) -> Image.Image:
    """Smooth and without any symmetry."""
    ys, xs = np.mgrid[:height, :width]
    channels = [255 * xs / width, 255 * ys / height, 255 * (xs / width) * (ys / height)]
    return Image.fromarray(np.stack(channels, -1).astype(np.uint8))


def pixels_of(image: Image.Image) -> np.ndarray:
    return np.asarray(image.convert("RGB")).astype(int)


def saved(image: Image.Image, path: Path, **options) -> Path:
    image.save(path, **options)
    return path


@pytest.mark.parametrize(("suffix", "most"), [("png", 0), ("tif", 0), ("webp", 40), ("jpg", 25), ("heic", 25)])
def test_formats(tmp_path, suffix, most):
    options = {"quality": 95} if most else {}
    picture = read_picture(saved(scene(), tmp_path / f"drawing.{suffix}", **options))
    assert picture.name == f"drawing.{suffix}"
    assert picture.pixels.dtype == np.uint8
    assert np.abs(picture.pixels - pixels_of(scene())).max() <= most


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", ["png", "jpg"])
def test_orientation_is_applied_once(tmp_path, orientation, suffix):
    # Stored as a camera would for that orientation; the table of CIPA DC-008 (Exif), tag 0x0112, says how to turn it back.
    stored = scene() if TRANSPOSES[orientation] is None else scene().transpose(TRANSPOSES[orientation])
    exif = Image.Exif()
    exif[0x0112] = orientation
    picture = read_picture(
        saved(stored, tmp_path / f"a.{suffix}", exif=exif, **({"quality": 100, "subsampling": 0} if suffix == "jpg" else {}))
    )
    assert picture.orientation == orientation
    assert picture.pixels.shape == (40, 60, 3)
    assert np.abs(picture.pixels - pixels_of(scene())).max() <= (0 if suffix == "png" else 8)


def test_turned_heic_is_turned_once(tmp_path):
    exif = Image.Exif()
    exif[0x0112] = 6
    picture = read_picture(
        saved(scene().transpose(Image.Transpose.ROTATE_90), tmp_path / "a.heic", quality=95, exif=exif.tobytes())
    )
    assert picture.pixels.shape == (40, 60, 3)
    assert np.abs(picture.pixels - pixels_of(scene())).mean() < 4


def test_focal_length_is_read(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    assert read_picture(saved(scene(), tmp_path / "a.jpg", exif=exif)).focal_35mm == 26
    assert read_picture(saved(scene(), tmp_path / "b.jpg")).focal_35mm is None


def test_grey_bilevel_palette_and_sixteen_bits(tmp_path):
    grey = scene().convert("L")
    expected = np.repeat(np.asarray(grey)[..., None], 3, 2).astype(int)
    assert np.array_equal(read_picture(saved(grey, tmp_path / "g.png")).pixels, expected)
    deep = Image.fromarray(np.asarray(grey).astype(np.uint16) * 257)
    for suffix in ("png", "tif"):
        picture = read_picture(saved(deep, tmp_path / f"d.{suffix}"))
        assert np.array_equal(picture.pixels, expected)
        assert "16-bit" in picture.notes[0]
    two = read_picture(saved(grey.convert("1"), tmp_path / "b.png")).pixels
    assert set(np.unique(two)) == {0, 255}
    palette = scene().quantize(64)
    assert np.array_equal(read_picture(saved(palette, tmp_path / "p.png")).pixels, pixels_of(palette))


def test_sixteen_bit_rgb_png(tmp_path):
    # Written by hand after the PNG specification (W3C, third edition), as Pillow does not write it.
    values = (np.asarray(scene()).astype(np.uint16) * 257).astype(">u2")
    rows = b"".join(b"\0" + row.tobytes() for row in values)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 60, 40, 16, 2, 0, 0, 0))
    path = tmp_path / "rgb16.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b""))
    assert np.array_equal(read_picture(path).pixels, pixels_of(scene()))


def test_alpha_is_laid_on_white(tmp_path):
    image = scene().convert("RGBA")
    image.putalpha(Image.fromarray(np.tile(np.linspace(0, 255, 60).astype(np.uint8), (40, 1))))
    picture = read_picture(saved(image, tmp_path / "a.png"))
    assert (picture.pixels[:, 0] == 255).all()
    assert np.array_equal(picture.pixels[:, -1], pixels_of(scene())[:, -1])
    assert "white" in picture.notes[0]


def test_cmyk(tmp_path):
    picture = read_picture(saved(scene().convert("CMYK"), tmp_path / "c.jpg", quality=95))
    assert np.abs(picture.pixels - pixels_of(scene())).mean() < 6
    assert "CMYK" in picture.notes[0]


def linear_profile() -> bytes:
    """A grey-axis change that is easy to predict: Lab's own profile would be exotic; XYZ is linear light."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def test_srgb_profile_changes_nothing(tmp_path):
    picture = read_picture(saved(scene(), tmp_path / "s.png", icc_profile=linear_profile()))
    assert np.array_equal(picture.pixels, pixels_of(scene()))
    assert picture.notes == ()


def test_other_profile_is_converted(tmp_path):
    # The sRGB profile with red and blue colorants swapped: what is stored as red is blue.
    data = bytearray(linear_profile())
    count = struct.unpack(">I", data[128:132])[0]
    place = {bytes(data[132 + 12 * i : 136 + 12 * i]): 132 + 12 * i for i in range(count)}
    red, blue = place[b"rXYZ"], place[b"bXYZ"]
    data[red + 4 : red + 12], data[blue + 4 : blue + 12] = data[blue + 4 : blue + 12], data[red + 4 : red + 12]
    described = bytes(data).replace("sRGB".encode("utf-16-be"), "Swap".encode("utf-16-be")).replace(b"sRGB", b"Swap")
    picture = read_picture(saved(scene(), tmp_path / "x.png", icc_profile=described))
    assert np.abs(picture.pixels - pixels_of(scene())[..., ::-1]).max() <= 2
    assert "converted" in picture.notes[0]


def test_broken_profile_is_ignored(tmp_path):
    picture = read_picture(saved(scene(), tmp_path / "s.png", icc_profile=b"no profile at all"))
    assert np.array_equal(picture.pixels, pixels_of(scene()))
    assert "ignored" in picture.notes[0]


def test_animation_gives_its_first_frame(tmp_path):
    frames = [scene(), Image.new("RGB", (60, 40), "red")]
    picture = read_picture(saved(frames[0], tmp_path / "a.png", save_all=True, append_images=frames[1:]))
    assert np.array_equal(picture.pixels, pixels_of(scene()))
    assert "first" in picture.notes[0]


# ---------------------------------------------------------------- refused


def refused(path: Path, *words: str, **options) -> PictureError:
    with pytest.raises(PictureError) as caught:
        read_picture(path, **options)
    text = str(caught.value)
    assert path.name in text and caught.value.remedy
    assert str(path.parent) not in text
    for word in words:
        assert word in text, text
    return caught.value


def test_missing_empty_folder_text(tmp_path):
    refused(tmp_path / "nowhere.jpg", "no such file")
    (tmp_path / "empty.jpg").write_bytes(b"")
    refused(tmp_path / "empty.jpg", "empty")
    (tmp_path / "folder.jpg").mkdir()
    refused(tmp_path / "folder.jpg", "folder")
    (tmp_path / "text.jpg").write_text("dear artist")
    refused(tmp_path / "text.jpg", "not a JPEG", "JPEG or PNG")
    (tmp_path / "page.jpg").write_bytes(b"%PDF-1.7 and so on")
    refused(tmp_path / "page.jpg", "PDF")
    saved(scene(), tmp_path / "raw.tif").rename(tmp_path / "raw.DNG")
    refused(tmp_path / "raw.DNG", "raw")


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp", "heic"])
def test_truncated(tmp_path, suffix):
    noise = Image.fromarray(np.random.default_rng(0).integers(0, 255, (200, 300, 3), np.uint8))
    path = saved(noise, tmp_path / f"cut.{suffix}")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    refused(path)


def test_corrupt(tmp_path):
    path = saved(scene(), tmp_path / "bad.png")
    data = bytearray(path.read_bytes())
    data[60:90] = b"x" * 30
    path.write_bytes(bytes(data))
    refused(path, "damaged")


def test_float_tiff(tmp_path):
    refused(saved(Image.fromarray(np.ones((20, 20), np.float32)), tmp_path / "f.tif"), "float")


def test_bomb_is_refused_from_its_header(tmp_path):
    # A header of 100000 x 100000 px with hardly any data: decoding it would take 30 GB.
    buffer = io.BytesIO()
    Image.new("L", (10, 10)).save(buffer, "PNG")
    data = bytearray(buffer.getvalue())
    data[16:24] = struct.pack(">II", 100_000, 100_000)
    data[29:33] = struct.pack(">I", zlib.crc32(bytes(data[12:29])))
    path = tmp_path / "bomb.png"
    path.write_bytes(bytes(data))
    refused(path, "100000 x 100000", "80 million")


def test_limit_can_be_set_and_is_stated(tmp_path):
    path = saved(scene(), tmp_path / "a.png")
    refused(path, "0.002 million", max_pixels=2000)
    assert read_picture(path, max_pixels=2400).pixels.shape == (40, 60, 3)


def test_arrays():
    grey = np.arange(12, dtype=np.uint8).reshape(3, 4)
    assert np.array_equal(read_picture(grey).pixels, np.repeat(grey[..., None], 3, 2))
    assert read_picture(grey).name == "array"
    rgb = np.zeros((3, 4, 3), np.uint8)
    assert read_picture(rgb).pixels.shape == (3, 4, 3)
    for wrong in (rgb.astype(float), np.zeros((3, 4, 4), np.uint8), np.zeros((0, 4, 3), np.uint8), np.uint8(3)[None]):
        with pytest.raises(CallError):
            read_picture(wrong)
    with pytest.raises(PictureError, match="limit"):
        read_picture(rgb, max_pixels=5)


# ---------------------------------------------------------------- files made to harm


def test_pipes_devices_and_monstrous_files_are_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "zeros.jpg").symlink_to("/dev/zero")
    (tmp_path / "ring.jpg").symlink_to("ring.jpg")
    saved(scene(), tmp_path / "sparse.png")
    os.truncate(tmp_path / "sparse.png", 40 << 30)
    refused(tmp_path / "pipe.jpg", "no plain file")
    refused(tmp_path / "zeros.jpg", "no plain file")
    refused(tmp_path / "ring.jpg", "can't be opened")
    refused(tmp_path / "sparse.png", "42950 MB", "400")


def test_a_picture_longer_than_can_be_squared_is_refused(tmp_path):
    refused(saved(Image.new("L", (40_000, 3)), tmp_path / "long.png"), "40000 x 3", "32000")


def test_more_parts_than_a_picture_needs(tmp_path):
    data = saved(scene(), tmp_path / "a.jpg", progressive=True).read_bytes()
    last = data.rfind(b"\xff\xda")
    (tmp_path / "scans.jpg").write_bytes(data[:last] + data[last:-2] * 500 + b"\xff\xd9")
    refused(tmp_path / "scans.jpg", "more parts")


def test_pages_are_not_counted(tmp_path):
    # A directory that names itself as the next page (TIFF 6.0, section 2): counting would never end, or fail on a broken one.
    path = saved(scene(), tmp_path / "pages.tif", save_all=True, append_images=[scene()])
    data = path.read_bytes()
    first = int.from_bytes(data[4:8], "little")
    after = first + 2 + 12 * int.from_bytes(data[first : first + 2], "little")
    for target in (first, 4, len(data) - 1):
        path.write_bytes(data[:after] + struct.pack("<I", target) + data[after + 4 :])
        assert read_picture(path).pixels.shape == (40, 60, 3)


def test_of_several_pictures_the_first_is_used(tmp_path):
    for suffix in ("tif", "webp", "png"):
        path = saved(scene(), tmp_path / f"a.{suffix}", save_all=True, append_images=[Image.new("RGB", (60, 40))])
        assert f"a.{suffix} holds several pictures; the first is used" in read_picture(path).notes


@pytest.mark.parametrize("seed", range(12))
def test_broken_exif_and_profiles_lose_no_picture(tmp_path, seed):
    rng = np.random.default_rng(seed)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0xA405] = 28
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    block = bytearray(exif.tobytes())
    for data, start in ((profile, 128), (block, 14)):
        for at in rng.integers(start, len(data), 15):
            data[at] = rng.integers(256)
    path = tmp_path / f"a.{'png' if seed % 2 else 'jpg'}"
    picture = read_picture(saved(scene(), path, exif=bytes(block), icc_profile=bytes(profile)))
    assert sorted(picture.pixels.shape) == [3, 40, 60]


@pytest.mark.parametrize("colour, depth", [(2, 8), (6, 8), (0, 16), (3, 1)])
@pytest.mark.parametrize("rows, whole", [(40, True), (39, False), (20, False)])
def test_a_png_with_too_few_rows_is_damaged(tmp_path, colour, depth, rows, whole):
    """W3C Portable Network Graphics, chapters 5 and 7: written here by hand, every checksum right."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    row = b"\0" * (1 + (30 * depth * {0: 1, 2: 3, 3: 1, 6: 4}[colour] + 7) // 8)
    parts = [chunk(b"IHDR", struct.pack(">IIBBBBB", 30, 40, depth, colour, 0, 0, 0))]
    parts += [chunk(b"PLTE", bytes(6))] if colour == 3 else []
    parts += [chunk(b"IDAT", zlib.compress(row * rows)), chunk(b"IEND", b"")]
    path = tmp_path / "short.png"
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(parts))
    if whole:
        assert read_picture(path).pixels.shape == (40, 30, 3)
    else:
        with pytest.raises(PictureError, match="damaged or cut short"):
            read_picture(path)


@pytest.mark.parametrize("count, missing", [(79, False), (78, True)])
def test_the_rows_of_an_interlaced_png_are_counted_by_its_passes(count, missing):
    """The same, chapter 8: 8 x 8 grey pixels in seven passes take 2 + 2 + 3 + 6 + 10 + 20 + 36 bytes, a filter byte a row."""
    body = zlib.compress(bytes(count))
    header = struct.pack(">I4sIIBBBBBI", 13, b"IHDR", 8, 8, 8, 0, 0, 0, 1, 0)
    data = b"\x89PNG\r\n\x1a\n" + header + struct.pack(">I", len(body)) + b"IDAT" + body + bytes(4)
    assert rows_missing(data) is missing


def test_rows_that_can_not_be_unpacked_are_missing():
    body = bytearray(zlib.compress(bytes(40)))
    body[-1] ^= 1  # the checksum of the stream itself
    header = struct.pack(">I4sIIBBBBBI", 13, b"IHDR", 8, 8, 8, 0, 0, 0, 0, 0)
    assert rows_missing(b"\x89PNG\r\n\x1a\n" + header + struct.pack(">I", len(body)) + b"IDAT" + bytes(body) + bytes(4))
