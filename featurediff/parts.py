"""The parts that a picture file is made of, counted before a decoder goes through them.

Some kilobytes can keep a decoder busy for hours: a JPEG of scans that each redraw the picture, a PNG of a million tiny chunks.
The ways such files are built: ITU-T T.81 annex B; W3C Portable Network Graphics, chapter 5.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator

from featurediff.errors import FeaturediffError

# What cameras and programs write lies far below: about ten scans, some hundred segments.
MOST_SCANS, MOST_SEGMENTS, MOST_FILL = 64, 10_000, 10_000
MOST_DATA_CHUNKS, MOST_OTHER_CHUNKS = 200_000, 10_000
SOS, EOI = 0xDA, 0xD9
# Samples of a pixel by the colour type of a PNG, and the seven passes of an interlaced one: first column and row, steps.
_SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))
_MARKER = re.compile(rb"\xff+[^\x00\xff]", re.DOTALL)
# In coded data: a stuffed byte and restart markers belong to it.
_AFTER_SCAN = re.compile(rb"\xff+[^\x00\xd0-\xd7\xff]", re.DOTALL)


class PartsError(FeaturediffError):
    """More parts than any honest file has."""


def check_parts(data: bytes) -> None:
    """Raise PartsError when a file has so many parts that going through them would take too long."""
    if data.startswith(b"\xff\xd8"):
        _check_jpeg(data)
    elif data.startswith(b"\x89PNG\r\n\x1a\n"):
        _check_png(data)


def rows_missing(data: bytes) -> bool:
    """Whether a PNG holds fewer bytes of rows than its header says, or broken ones. Goes through all of it: about a second for
    80 megapixels."""
    width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", data[16:29])
    bits = depth * _SAMPLES[colour]
    passes = _PASSES if interlaced else ((0, 0, 1, 1),)
    wanted = sum(
        rows * (1 + (columns * bits + 7) // 8)
        for x, y, right, down in passes
        if (columns := -(-(width - x) // right)) > 0 and (rows := -(-(height - y) // down)) > 0
    )
    reader, seen = zlib.decompressobj(), 0
    for kind, start, stop in _chunks(data):
        part = data[start:stop] if kind == b"IDAT" else b""
        try:
            while part and seen < wanted:
                seen += len(reader.decompress(part, 1 << 20))
                part = reader.unconsumed_tail
        except zlib.error:
            return True
    return seen < wanted


def segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """(marker, start, stop) of each segment of a JPEG after its first two bytes, a scan's coded data with its header.

    ``start`` is where the marker's last 0xFF stands. Ends where the file is not built that way, or after the end marker.
    """
    at = 2
    while found := _MARKER.match(data, at):
        start, marker = found.end() - 2, data[found.end() - 1]
        if marker == EOI:
            yield marker, start, found.end()
            return
        stop = found.end() + int.from_bytes(data[found.end() : found.end() + 2], "big")
        if stop > len(data) or stop < found.end() + 2:
            return
        if marker == SOS:
            after = _AFTER_SCAN.search(data, stop)
            stop = after.start() if after else len(data)
        yield marker, start, stop
        at = stop


def _check_jpeg(data: bytes) -> None:
    scans, end = 0, 2
    for count, (marker, start, stop) in enumerate(segments(data), start=1):
        scans += marker == SOS
        if scans > MOST_SCANS or count > MOST_SEGMENTS or start - end > MOST_FILL:
            raise PartsError("more parts than a JPEG has")
        end = stop
    if len(data) - end > MOST_FILL and not data[end : end + MOST_FILL].strip(b"\xff"):
        raise PartsError("more parts than a JPEG has")


def _check_png(data: bytes) -> None:
    own = others = 0
    for kind, _, _ in _chunks(data):
        own += kind == b"IDAT"
        others += kind != b"IDAT"
        if own > MOST_DATA_CHUNKS or others > MOST_OTHER_CHUNKS:
            raise PartsError("more parts than a PNG has")


def _chunks(data: bytes) -> Iterator[tuple[bytes, int, int]]:
    """(kind, start, stop) of the content of each chunk of a PNG."""
    at = 8
    while at + 12 <= len(data):
        start = at + 8
        stop = start + int.from_bytes(data[at : at + 4], "big")
        yield data[at + 4 : start], start, stop
        at = stop + 4
