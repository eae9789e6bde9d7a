"""The two pictures of the page: the squared drawing under even light, and the part of the reference that is shown beside it."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from featurediff import geometry
from featurediff.marks import paper_light
from featurediff.report.page_window import Window

LONG_SIDE = 1600
# What one picture may take, so that the page stays below 3 MB with both, coded in base 64.
MOST_BYTES = 950_000
_QUALITIES = (86, 78, 68, 55, 40, 25)
_PAPER = 250.0
_CAST = 0.1  # a lamp's cast makes no colour brighter or darker than the others by more than this (judgement)


@dataclass(frozen=True)
class PagePicture:
    """A picture ready for the page.

    ``data``: base 64 of the JPEG. ``width`` and ``height`` in px. ``to_sheet``: the six numbers (a, b, c, d, e, f) that take
    its px, counted from the picture's corner, to sheet units: x' = a x + c y + e, y' = b x + d y + f.
    """

    data: str
    width: int
    height: int
    to_sheet: tuple[float, float, float, float, float, float]


def drawing_picture(even: np.ndarray, px_per_unit: float, window: Window) -> PagePicture:
    """The part ``window`` of the evenly lit sheet (h, w, 3) uint8 RGB."""
    height, width = even.shape[:2]
    left, top = max(int(window.x * px_per_unit), 0), max(int(window.y * px_per_unit), 0)
    right = min(round((window.x + window.width) * px_per_unit + 0.5), width)
    bottom = min(round((window.y + window.height) * px_per_unit + 0.5), height)
    to_sheet = np.array([[1 / px_per_unit, 0, left / px_per_unit], [0, 1 / px_per_unit, top / px_per_unit], [0, 0, 1]])
    return _coded(Image.fromarray(even[top:bottom, left:right]), to_sheet)


def reference_picture(reference: np.ndarray, to_sheet: np.ndarray, window: Window) -> PagePicture | None:
    """The part of the reference (h, w, 3) uint8 RGB that falls into ``window`` when ``to_sheet`` lays it on the sheet.

    ``to_sheet`` is a (3, 3) similarity of px whose centres are integers. None when nothing of it is in the window.
    """
    pixels = np.asarray(reference, np.uint8)
    height, width = pixels.shape[:2]
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [window.width, window.height] + [window.x, window.y]
    px = geometry.apply(np.linalg.inv(to_sheet), corners)
    left, top = np.clip(np.floor(px.min(0)).astype(int), 0, [width, height])
    right, bottom = np.clip(np.ceil(px.max(0)).astype(int) + 1, 0, [width, height])
    if right <= left or bottom <= top:
        return None
    # From px counted from the corner of the cut-out to px whose centres are integers.
    from_corner = np.array([[1.0, 0.0, left - 0.5], [0.0, 1.0, top - 0.5], [0.0, 0.0, 1.0]])
    return _coded(Image.fromarray(pixels[top:bottom, left:right]), to_sheet @ from_corner)


def evenly_lit(squared: np.ndarray) -> np.ndarray:
    """The squared sheet (h, w, 3) uint8 RGB with bare paper of one bright tone everywhere, marks and colours kept.

    A lamp's slight cast goes, the colour of toned paper stays.
    """
    pixels = np.asarray(squared, np.uint8)
    light = np.maximum(paper_light(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32)), 40.0)[..., None]
    tint = np.median((pixels[::7, ::7] / light[::7, ::7]).reshape(-1, 3), axis=0)
    tint = tint / tint.mean() if np.abs(tint / tint.mean() - 1.0).max() < _CAST else np.ones(3)
    return np.clip(pixels * (_PAPER / light / tint), 0.0, 255.0).astype(np.uint8)


def darkness(even: np.ndarray, px_per_unit: float, per_unit: float) -> np.ndarray:
    """(h, w) float32 0..1: how much is drawn on an evenly lit sheet, at ``per_unit`` cells to a sheet unit."""
    grey = cv2.cvtColor(even, cv2.COLOR_RGB2GRAY).astype(np.float32)
    dark = np.clip(1.0 - grey / _PAPER - 0.03, 0.0, 1.0)
    shrink = per_unit / px_per_unit
    size = (max(round(grey.shape[1] * shrink), 1), max(round(grey.shape[0] * shrink), 1))
    return cv2.resize(dark, size, interpolation=cv2.INTER_AREA)


def _coded(image: Image.Image, to_sheet: np.ndarray) -> PagePicture:
    full = image.size
    shrink = min(1.0, LONG_SIDE / max(full))
    if shrink < 1.0:
        # A box would place its pixels up to half a pixel off.
        image = image.resize([max(round(side * shrink), 1) for side in full], Image.Resampling.LANCZOS)
    (a, c, e), (b, d, f) = (to_sheet @ np.diag([full[0] / image.width, full[1] / image.height, 1.0]))[:2]
    return PagePicture(_jpeg(image), image.width, image.height, tuple(map(float, (a, b, c, d, e, f))))


def _jpeg(image: Image.Image) -> str:
    for quality in _QUALITIES:
        file = io.BytesIO()
        image.save(file, "JPEG", quality=quality, optimize=True, progressive=True)
        if file.tell() <= MOST_BYTES:
            break
    return base64.b64encode(file.getvalue()).decode("ascii")
