"""Simulated photographs of sheets for the tests of the sheet."""

from __future__ import annotations

import functools

import cv2
import numpy as np

from featurediff.geometry import apply
from featurediff.records import Picture, Sheet
from featurediff.testing import paper
from featurediff.testing.camera import Photo, photograph
from featurediff.testing.hands import Placement, SimulatedSheet

A4 = (210.0, 297.0)


@functools.cache
def drawn_sheet(size_mm: tuple[float, float] = A4, near_edges: bool = False) -> SimulatedSheet:
    """Lines and a dark mass in the middle; on request a drawn frame 8 mm from the edges and dark tone over one edge."""
    rng = np.random.default_rng(4)
    k = 4.0
    width, height = round(size_mm[0] * k), round(size_mm[1] * k)
    ink = np.zeros((height, width), np.float32)
    for _ in range(25):
        start = rng.uniform([0.25 * width, 0.2 * height], [0.75 * width, 0.8 * height])
        end = start + rng.normal(0, 15 * k, 2)
        cv2.line(ink, tuple(map(int, start)), tuple(map(int, end)), 0.5, 2, cv2.LINE_AA)
    cv2.ellipse(ink, (width // 2, round(0.3 * height)), (width // 4, height // 8), 0, 180, 360, 0.6, -1)
    if near_edges:
        inset = round(8 * k)
        cv2.rectangle(ink, (inset, inset), (width - inset, height - inset), 0.6, 3)
        cv2.ellipse(ink, (0, round(0.8 * height)), (width // 5, height // 8), 0, 0, 360, 0.65, -1)
    grey = paper.blank((height, width), k, rng) * (1 - ink)
    pixels = np.repeat(np.clip(grey * 255, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return SimulatedSheet(pixels, k, Placement(size_mm, 1.0, 0.0, (0.0, 0.0)), None)


def taken(size_mm: tuple[float, float] = A4, near_edges: bool = False, **options) -> tuple[Picture, Photo]:
    """A photograph of it and its truth. 3 megapixels keep the tests quick."""
    options = {"megapixels": 3.0, "turn_deg": 3.0, "lens_mm": 26.0, **options}
    photo = photograph(drawn_sheet(size_mm, near_edges), **options)
    return Picture(photo.pixels, "drawing.jpg", focal_35mm=options["lens_mm"]), photo


def worst_mm(sheet: Sheet, photo: Photo) -> float:
    """The largest error over the sheet in mm."""
    width, height = sheet.size_mm
    at = np.linspace(0.03, 0.97, 8)
    places = np.array([(x * width, y * height) for x in at for y in at])
    return float(np.hypot(*(apply(sheet.to_mm, photo.project(places)) - places).T).max())
