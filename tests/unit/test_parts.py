"""A file of too many parts is refused in no time; real ones pass."""

import io
import struct
import time
import zlib
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from featurediff.parts import EOI, MOST_OTHER_CHUNKS, MOST_SCANS, MOST_SEGMENTS, SOS, PartsError, check_parts, segments


def saved(form, **options):
    image = Image.fromarray(np.random.default_rng(3).integers(0, 255, (60, 80, 3), np.uint8))
    file = io.BytesIO()
    image.save(file, form, **options)
    return file.getvalue()


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_rows": 1}, {"comment": b"x" * 60_000}])
def test_segments_are_all_of_a_jpeg(options):
    data = saved("JPEG", **options)
    found = list(segments(data))
    assert found[0][1] == 2 and found[-1][0] == EOI and found[-1][2] == len(data)
    assert all(before[2] == after[1] for before, after in pairwise(found))
    # Pillow's own progressive files have ten scans of three colours (libjpeg's standard script), plain ones have one.
    assert sum(marker == SOS for marker, _, _ in found) == (10 if options.get("progressive") else 1)
    check_parts(data)


def test_what_programs_write_passes():
    for form, options in (("PNG", {}), ("PNG", {"compress_level": 0}), ("TIFF", {}), ("WEBP", {})):
        check_parts(saved(form, **options))


def jpeg_of_many_scans(count):
    data = saved("JPEG", progressive=True)
    last = data.rfind(b"\xff\xda")
    return data[:last] + data[last:-2] * count + b"\xff\xd9"


def png_of_many_chunks(count):
    data = saved("PNG")
    chunk = struct.pack(">I", 0) + b"teSt" + struct.pack(">I", zlib.crc32(b"teSt"))
    return data[:33] + chunk * count + data[33:]


@pytest.mark.parametrize(
    "data",
    [
        jpeg_of_many_scans(MOST_SCANS + 1),
        saved("JPEG")[:2] + b"\xff\xfe\x00\x02" * (MOST_SEGMENTS + 1) + saved("JPEG")[2:],
        saved("JPEG")[:2] + b"\xff" * 5_000_000 + saved("JPEG")[2:],
        saved("JPEG")[:2] + b"\xff" * 5_000_000,
        png_of_many_chunks(MOST_OTHER_CHUNKS + 1),
    ],
    ids=["scans", "segments", "fill bytes", "nothing but fill bytes", "chunks"],
)
def test_too_many_parts(data):
    begun = time.process_time()
    with pytest.raises(PartsError):
        check_parts(data)
    assert time.process_time() - begun < 2.0


def test_no_bytes_take_long():
    begun = time.process_time()
    check_parts(b"\xff\xd8\xff\xda\x00\x02" + b"\xff\x00" * 2_000_000)
    check_parts(b"\x89PNG\r\n\x1a\n" + bytes(10_000 * 12))
    assert time.process_time() - begun < 4.0
