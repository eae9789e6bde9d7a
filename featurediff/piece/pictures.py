"""Pictures of a piece: a copy of the reference that says nothing of its camera, and the squared drawing, as JPEG.

The copy must give the very same pixels, or the list would change by itself. A JPEG that is upright and without a colour
profile is kept as it is but for the segments that tell about camera, place and time; the copy is decoded and compared. All other
pictures become a PNG of the decoded pixels, which is exact as well.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from featurediff.errors import PictureError
from featurediff.parts import EOI, check_parts, segments
from featurediff.pictures import MAX_BYTES, read_picture
from featurediff.plainfiles import read_plain

DRAWING_QUALITY = 88
# Markers of a JPEG file (ITU-T T.81, table B.1).
_APP0, _APP14, _APP15, _COMMENT = 0xE0, 0xEE, 0xEF, 0xFE


def copy_of(reference: str | Path) -> tuple[str, bytes]:
    """(file name, bytes) of a copy with the same pixels, upright in sRGB, and nothing else. Raises PictureError."""
    picture = read_picture(reference)
    data = read_plain(Path(reference), MAX_BYTES)
    if data[:3] == b"\xff\xd8\xff":
        plain = without_metadata(data)
        if plain is not None and _decodes_to(plain, picture.pixels):
            return "reference.jpg", plain
    file = io.BytesIO()
    Image.fromarray(picture.pixels).save(file, "PNG", compress_level=3)
    return "reference.png", file.getvalue()


def _decodes_to(data: bytes, pixels: np.ndarray) -> bool:
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG",)) as image:
            return image.mode in ("RGB", "L") and np.array_equal(np.asarray(image.convert("RGB")), pixels)
    except Exception:  # whatever the decoder trips over: then the pixels are kept as a PNG
        return False


def without_metadata(data: bytes) -> bytes | None:
    """A JPEG file with only what its pixels need, or None when it is not understood.

    Left out: application segments (Exif, maker's notes, thumbnails, profiles) but Adobe's colour transform, comments, and
    whatever follows the picture's end. The way a file is built: ITU-T T.81 annex B.
    """
    out = bytearray(b"\xff\xd8")
    for marker, start, stop in segments(data):
        segment = data[start:stop]
        if marker == EOI:
            return bytes(out + segment)
        if marker == _APP0 and segment[4:9] == b"JFIF\0" and len(segment) >= 18:
            out += b"\xff\xe0\x00\x10" + segment[4:16] + b"\0\0"  # without its thumbnail
        elif marker == _APP14 and segment[4:9] == b"Adobe" and len(segment) >= 16:
            out += b"\xff\xee\x00\x0e" + segment[4:16]
        elif not (_APP0 <= marker <= _APP15 or marker == _COMMENT):
            out += segment
    return None


def squared_jpeg(squared: np.ndarray) -> bytes:
    """The squared drawing (h, w, 3) uint8 RGB as JPEG, without any metadata."""
    file = io.BytesIO()
    Image.fromarray(np.asarray(squared, np.uint8)).save(file, "JPEG", quality=DRAWING_QUALITY)
    return file.getvalue()


def opened(data: bytes, name: str) -> Image.Image:
    """A picture of the piece for drawing upon. Raises PictureError."""
    try:
        check_parts(data)
        with Image.open(io.BytesIO(data), formats=("JPEG",)) as image:
            if image.width * image.height > 50_000_000:
                raise PictureError(f"{name} of the piece is too large.", "It was not written by featurediff; remove it.")
            return image.convert("RGB")
    except PictureError:
        raise
    except Exception:
        raise PictureError(f"{name} of the piece is damaged.", "Restore it from a copy, or take that round out.") from None
