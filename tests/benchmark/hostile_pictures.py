"""Pictures that are broken, huge, strange or no pictures at all, made from a seed."""

from __future__ import annotations

import io
import os
import socket
import struct
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from PIL import Image, ImageCms

Maker = Callable[[Path], object]


def scene(width: int = 300, height: int = 400) -> Image.Image:
    """Smooth, coloured, without any symmetry."""
    ys, xs = np.mgrid[:height, :width]
    channels = [255 * xs / width, 255 * ys / height, 128 + 100 * np.sin(xs / 17) * np.cos(ys / 23)]
    return Image.fromarray(np.stack(channels, -1).astype(np.uint8))


def saved(image: Image.Image, form: str, **options) -> bytes:
    file = io.BytesIO()
    image.save(file, form, **options)
    return file.getvalue()


def enlarged(data: bytes, pixels: float, path: Path) -> None:
    """A picture saved with that many pixels, in the form of the path's ending."""
    with Image.open(io.BytesIO(data)) as image:
        times = (pixels / (image.width * image.height)) ** 0.5
        image.resize((int(image.width * times), int(image.height * times)), Image.Resampling.BICUBIC).save(path, quality=80)


def metadata() -> dict:
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "maker"
    exif.get_ifd(0x8769)[0xA405] = 28
    return {"exif": exif, "icc_profile": ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()}


def bases() -> dict[str, bytes]:
    """A good file of every form that is read."""
    import pillow_heif

    pillow_heif.register_heif_opener()
    image, more = scene(), metadata()
    frames = [scene(), scene().rotate(180)]
    grey16 = Image.fromarray(np.asarray(image.convert("L")).astype(np.uint16) * 257)
    return {
        "jpg": saved(image, "JPEG", **more),
        "progressive.jpg": saved(image, "JPEG", progressive=True),
        "cmyk.jpg": saved(image.convert("CMYK"), "JPEG"),
        "png": saved(image, "PNG", **more),
        "palette.png": saved(image.quantize(16), "PNG", transparency=3),
        "grey16.png": saved(grey16, "PNG"),
        "animated.png": saved(image, "PNG", save_all=True, append_images=frames),
        "tif": saved(image, "TIFF", compression="tiff_lzw", **more),
        "deflate.tif": saved(image, "TIFF", compression="tiff_adobe_deflate"),
        "jpeg.tif": saved(image, "TIFF", compression="jpeg"),
        "pages.tif": saved(image, "TIFF", save_all=True, append_images=frames),
        "webp": saved(image, "WEBP", **more),
        "lossless.webp": saved(image, "WEBP", lossless=True),
        "animated.webp": saved(image, "WEBP", save_all=True, append_images=frames),
        "heic": saved(image, "HEIF", quality=60),
    }


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """A file with bits flipped, cut short, with a stretch lost, zeroed, doubled, or numbers in its head made large."""
    way, out = rng.integers(7), bytearray(data)
    if way == 0:  # bits, anywhere
        for at in rng.integers(0, len(out), rng.integers(1, 40)):
            out[at] ^= 1 << rng.integers(8)
    elif way == 1:  # bits, in the head
        for at in rng.integers(0, min(len(out), 600), rng.integers(1, 12)):
            out[at] ^= 1 << rng.integers(8)
    elif way == 2:
        del out[int(rng.integers(1, len(out))) :]
    elif way == 3:
        a = int(rng.integers(0, len(out)))
        del out[a : a + int(rng.integers(1, 2000))]
    elif way == 4:
        a, n = int(rng.integers(0, len(out))), int(rng.integers(1, 3000))
        out[a : a + n] = bytes(len(out[a : a + n]))
    elif way == 5:
        a, n = int(rng.integers(0, len(out))), int(rng.integers(1, 3000))
        out[a:a] = out[a : a + n]
    else:
        for at in rng.integers(0, min(len(out), 1500), rng.integers(1, 6)):
            out[at : at + 4] = bytes(rng.choice([0, 255, 127, 128], 4).tolist())
    return bytes(out)


def _fixed_sums(data: bytes) -> bytes:
    """A PNG whose checksums are right again, so that damage gets past them."""
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        body = data[at + 4 : at + 8 + size]
        if at + 12 + size > len(data):
            break
        out += data[at : at + 4] + body + struct.pack(">I", zlib.crc32(body))
        at += 12 + size
    return bytes(out + data[at:])


def fuzzed(count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """``count`` damaged files as (name, bytes)."""
    made = bases()
    names = sorted(made)
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        form = names[k % len(names)]
        data = mutated(made[form], rng)
        if form.endswith("png") and rng.integers(2):
            data = _fixed_sums(data)
        yield f"fuzz-{k}.{form}", data


# ---------------------------------------------------------------- made by hand


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int, height: int, *chunks: bytes, depth: int = 8, colour: int = 0, rows: int | None = None) -> bytes:
    """A PNG of zeros; ``rows`` fewer than declared makes it cut short."""
    bits = depth * {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour]
    squeeze, body = zlib.compressobj(9), bytearray()
    row = bytes(1 + (width * bits + 7) // 8) if rows != 0 else b""
    for _ in range(height if rows is None else rows):
        body += squeeze.compress(row)
    body += squeeze.flush()
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks) + _chunk(b"IDAT", bytes(body)) + _chunk(b"IEND", b"")


def zeros(size: int) -> bytes:
    """``size`` compressed zeros."""
    squeeze, body, block = zlib.compressobj(9), bytearray(), bytes(1 << 20)
    for _ in range(size >> 20):
        body += squeeze.compress(block)
    return bytes(body + squeeze.flush())


def tiff(entries: list[tuple[int, int, int, int]], more: bytes = b"", next_page: int = 0) -> bytes:
    """A little-endian TIFF with one directory of (tag, type, count, value) at byte 8."""
    body = b"".join(struct.pack("<HHII", *each) for each in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + struct.pack("<I", next_page) + more


def _grey_tiff(width: int, height: int, next_page: int = 0, bits: int = 8) -> bytes:
    return tiff(
        [
            (256, 4, 1, width),
            (257, 4, 1, height),
            (258, 3, 1, bits),
            (259, 3, 1, 1),
            (262, 3, 1, 1),
            (273, 4, 1, 8),
            (278, 4, 1, height),
        ]
        + [(279, 4, 1, min(width * height * bits // 8, 0xFFFFFFFF))],
        bytes(64),
        next_page,
    )


def many_pages(count: int) -> bytes:
    """A TIFF of ``count`` tiny pages, one after another."""
    out = bytearray(b"II*\0" + struct.pack("<I", 8))
    for k in range(count):
        at = 8 + k * (2 + 8 * 12 + 4)
        after = at + 2 + 8 * 12 + 4 if k + 1 < count else 0
        values = [(256, 4, 1), (257, 4, 1), (258, 3, 8), (259, 3, 1), (262, 3, 1), (273, 4, 4), (278, 4, 1), (279, 4, 1)]
        out += struct.pack("<H", 8) + b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in values)
        out += struct.pack("<I", after)
    return bytes(out)


def many_scans(side: int, count: int) -> bytes:
    """A progressive JPEG whose last scan comes ``count`` times: small on the disk, long to decode."""
    data = saved(Image.new("L", (side, side), 90), "JPEG", progressive=True)
    last = data.rfind(b"\xff\xda")
    return data[:last] + data[last:-2] * count + b"\xff\xd9"


def _with_segment(data: bytes, marker: int, body: bytes) -> bytes:
    return data[:2] + bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body + data[2:]


def _profile(rng: np.random.Generator) -> bytes:
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    # Not called sRGB: then it is used.
    profile = bytearray(bytes(profile).replace(b"s\0R\0G\0B", b"o\0d\0d\0y").replace(b"sRGB", b"oddy"))
    for at in rng.integers(128, len(profile), rng.integers(0, 30)):
        profile[at] = rng.integers(256)
    return bytes(profile)


def profiles(count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Good pictures with broken colour profiles."""
    image = scene(120, 90)
    for k in range(count):
        profile = _profile(np.random.default_rng([seed, 7, k]))
        form = ("PNG", "JPEG", "TIFF", "WEBP")[k % 4]
        yield f"profile-{k}.{form.lower()}", saved(image, form, icc_profile=profile)


def exifs(count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Good pictures with broken EXIF blocks."""
    image, good = scene(120, 90), metadata()["exif"].tobytes()
    for k in range(count):
        rng = np.random.default_rng([seed, 8, k])
        block = bytearray(good)
        for at in rng.integers(6, len(block), rng.integers(1, 20)):
            block[at] = rng.integers(256)
        form = ("JPEG", "PNG", "WEBP")[k % 3]
        yield f"exif-{k}.{form.lower()}", saved(image, form, exif=bytes(block))


def _late(make: Callable[[], bytes]) -> Maker:
    return lambda path: path.write_bytes(make())


def _larger_canvas(data: bytes, width: int, height: int) -> bytes:
    at = data.find(b"VP8X") + 12
    return data[:at] + struct.pack("<I", width)[:3] + struct.pack("<I", height)[:3] + data[at + 6 :]


def _array(values: np.ndarray, mode: str | None = None) -> bytes:
    return saved(Image.fromarray(values, mode) if mode else Image.fromarray(values), "TIFF")


def special() -> dict[str, Maker]:
    """Files made by hand, by name; each is a function that puts one at a path."""
    nan = np.full((60, 60), np.nan, np.float32)
    jpeg = saved(scene(), "JPEG")
    svg = b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><script>alert(1)</script></svg>'
    found: dict[str, Maker] = {
        "declared-100000x100000.png": _late(lambda: png(100_000, 100_000, rows=0)),
        "declared-4e9.png": _late(lambda: png(0x7FFFFFFF, 0x7FFFFFFF, rows=0)),
        "zero-wide.png": _late(lambda: png(0, 10, rows=0)),
        "cut-8900x8900.png": _late(lambda: png(8_900, 8_900, colour=2, rows=3)),
        "largest-grey.png": _late(lambda: png(8_900, 8_900)),
        "largest-rgb.png": _late(lambda: png(8_900, 8_900, colour=2)),
        "largest-rgba16.png": _late(lambda: png(8_900, 8_900, depth=16, colour=6)),
        "largest-bilevel.png": _late(lambda: png(8_900, 8_900, depth=1)),
        "long-strip.png": _late(lambda: png(3_900_000, 20)),
        "text-bomb.png": _late(lambda: png(40, 40, *[_chunk(b"zTXt", b"k\0\0" + zeros(200 << 20))] * 4)),
        "text-bomb-international.png": _late(lambda: png(40, 40, *[_chunk(b"iTXt", b"k\0\1\0\0\0" + zeros(200 << 20))] * 4)),
        "profile-bomb.png": _late(lambda: png(40, 40, _chunk(b"iCCP", b"k\0\0" + zeros(400 << 20)))),
        "row-bomb.png": _late(lambda: png(40, 40).replace(b"IEND", b"IEND") + zeros(400 << 20)),
        "thousand-chunks.png": _late(lambda: png(40, 40, *[_chunk(b"tEXt", b"k\0v")] * 200_000)),
        "animation-claimed.png": _late(lambda: png(40, 40, _chunk(b"acTL", struct.pack(">II", 0xFFFFFFFF, 0)))),
        "declared-4e9.tif": _late(lambda: _grey_tiff(0xFFFFFFFF, 0xFFFFFFFF)),
        "declared-8900x8900.tif": _late(lambda: _grey_tiff(8_900, 8_900)),
        "pages-in-a-ring.tif": _late(lambda: _grey_tiff(8, 8, next_page=8)),
        "pages-60000.tif": _late(lambda: many_pages(60_000)),
        "tags-4e9.tif": _late(lambda: tiff([(256, 4, 0xFFFFFFFF, 8), (257, 4, 1, 8), (700, 7, 0xFFFFFFFF, 8)])),
        "tile-huge.tif": _late(
            lambda: tiff(
                [(256, 4, 1, 16), (257, 4, 1, 16), (258, 3, 1, 8), (259, 3, 1, 8), (262, 3, 1, 1), (322, 4, 1, 0x7FFFFFF0)]
                + [(323, 4, 1, 0x7FFFFFF0), (324, 4, 1, 8), (325, 4, 1, 100)],
                bytes(200),
            )
        ),
        "strip-bomb.tif": _late(
            lambda: tiff(
                [(256, 4, 1, 16), (257, 4, 1, 16), (258, 3, 1, 8), (259, 3, 1, 8), (262, 3, 1, 1), (273, 4, 1, 130)]
                + [(278, 4, 1, 16), (279, 4, 1, 0x7FFFFFFF)],
                zeros(400 << 20),
            )
        ),
        "nan.tif": _late(lambda: _array(nan)),
        "infinite.tif": _late(lambda: _array(np.full((60, 60), np.inf, np.float32))),
        "float.tif": _late(lambda: _array(np.linspace(0, 1, 3600, dtype=np.float32).reshape(60, 60))),
        "whole-32-bit.tif": _late(lambda: _array(np.full((60, 60), -5, np.int32))),
        "bigtiff.tif": _late(lambda: b"II+\0\x08\0\0\0" + bytes(64)),
        "declared-65500x65500.jpg": _late(
            lambda: jpeg.replace(struct.pack(">HH", 400, 300), struct.pack(">HH", 65500, 65500), 1)
        ),
        "declared-8900x8900.jpg": _late(lambda: jpeg.replace(struct.pack(">HH", 400, 300), struct.pack(">HH", 8900, 8900), 1)),
        "declared-0x0.jpg": _late(lambda: jpeg.replace(struct.pack(">HH", 400, 300), struct.pack(">HH", 0, 0), 1)),
        "many-scans.jpg": _late(lambda: many_scans(9_000, 3_000)),
        "exif-ring.jpg": _late(
            lambda: _with_segment(jpeg, 0xE1, b"Exif\0\0II*\0\x08\0\0\0\1\0" + struct.pack("<HHII", 0x8769, 4, 1, 8) + bytes(4))
        ),
        "exif-noise.jpg": _late(lambda: _with_segment(jpeg, 0xE1, b"Exif\0\0" + np.random.default_rng(4).bytes(5000))),
        "mpo-ring.jpg": _late(
            lambda: _with_segment(
                jpeg, 0xE2, b"MPF\0II*\0\x08\0\0\0\1\0" + struct.pack("<HHII", 0xB001, 4, 1, 0xFFFFFFF) + bytes(4)
            )
        ),
        "segments.jpg": _late(lambda: jpeg[:2] + b"\xff\xfe\0\x04xx" * 200_000 + jpeg[2:]),
        "fill-bytes.jpg": _late(lambda: jpeg[:2] + b"\xff" * 20_000_000 + jpeg[2:]),
        "largest.webp": _late(lambda: saved(Image.new("RGB", (9_900, 8_000), "grey"), "WEBP", quality=1, method=0)),
        "declared-65536x65535.webp": _late(lambda: _larger_canvas(saved(scene(), "WEBP", **metadata()), 65535, 65534)),
        "declared-8801x8801.webp": _late(lambda: _larger_canvas(saved(scene(), "WEBP", **metadata()), 8_800, 8_800)),
        "many-frames.webp": _late(
            lambda: saved(
                Image.new("RGB", (60, 60)),
                "WEBP",
                save_all=True,
                append_images=[Image.new("RGB", (60, 60), (k, k, k)) for k in range(250)],
            )
        ),
        "animated.gif": _late(lambda: saved(scene(60, 60), "GIF", save_all=True, append_images=[scene(60, 60).rotate(90)])),
        "icon.ico": _late(lambda: saved(scene(64, 64), "ICO")),
        "bitmap.jpg": _late(lambda: saved(scene(), "BMP")),
        "png-called.jpg": _late(lambda: saved(scene(), "PNG")),
        "jpeg-called.png": _late(lambda: jpeg),
        "one-pixel.png": _late(lambda: saved(Image.new("RGB", (1, 1)), "PNG")),
        "one-row.png": _late(lambda: saved(Image.new("RGB", (30_000, 1), "white"), "PNG")),
        "thin-30000x2.png": _late(lambda: saved(Image.new("RGB", (30_000, 2), "white"), "PNG")),
        "tall-2x30000.png": _late(lambda: saved(Image.new("RGB", (2, 30_000), "white"), "PNG")),
        "odd-3x5000.jpg": _late(lambda: saved(scene(3, 5000), "JPEG")),
        "black.png": _late(lambda: saved(Image.new("RGB", (800, 900)), "PNG")),
        "clear.png": _late(lambda: saved(Image.new("RGBA", (800, 900), (0, 0, 0, 0)), "PNG")),
        "lab.tif": _late(lambda: saved(scene(80, 60).convert("LAB"), "TIFF")),
        "vector.jpg": _late(lambda: svg),
        "page.jpg": _late(lambda: b"<!doctype html><script>alert(1)</script>"),
        "program.jpg": _late(lambda: b"#!/bin/sh\ntouch executed\n"),
        "postscript.jpg": _late(lambda: b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(executed) (w) file closefile\n"),
        "letter.pdf": _late(lambda: b"%PDF-1.4\n" + bytes(300)),
        "archive.png": _late(lambda: b"PK\3\4" + bytes(300)),
        "empty.jpg": _late(lambda: b""),
        "only-a-head.jpg": _late(lambda: jpeg[:3]),
        "folder.jpg": lambda path: path.mkdir(),
        "pipe.jpg": lambda path: os.mkfifo(path),
        "socket.jpg": _socket,
        "link-to-itself.jpg": lambda path: path.symlink_to(path.name),
        "link-to-nowhere.jpg": lambda path: path.symlink_to("nowhere/at-all.jpg"),
        "link-to-zeros.jpg": lambda path: path.symlink_to("/dev/zero"),
        "link-to-terminal.jpg": lambda path: path.symlink_to("/dev/tty"),
        "link-to-nothing.jpg": lambda path: path.symlink_to("/dev/null"),
        "link-to-memory.jpg": lambda path: path.symlink_to("/proc/self/mem"),
        "sparse-40-gb.jpg": _sparse,
    }
    return found


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as end:
        end.bind(str(path))


def _sparse(path: Path) -> None:
    path.write_bytes(saved(scene(), "JPEG"))
    os.truncate(path, 40 << 30)
