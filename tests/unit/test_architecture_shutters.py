"""Windows and their shutters: which boxes of a row that stands flush are which."""

from __future__ import annotations

import numpy as np
import pytest
from featurediff_architecture.openings_edges import edges_of
from featurediff_architecture.openings_shutters import with_shutters

WALL, SHUTTER, GLASS = (190, 180, 160), (60, 90, 60), (35, 40, 60)
# A row: shutter, window, two shutters side by side, window, shutter.
STOPS = (40, 70, 130, 190, 250, 280)
TONES = (SHUTTER, GLASS, SHUTTER, GLASS, SHUTTER)
TOP, BOTTOM = 60, 160


def wall(tones=TONES) -> tuple[np.ndarray, np.ndarray]:
    """A wall (220, 320, 3) with one row of areas of these colours between STOPS, and their boxes (5, 4)."""
    pixels = np.empty((220, 320, 3), np.uint8)
    pixels[:] = WALL
    boxes = []
    for left, right, tone in zip(STOPS, STOPS[1:], tones, strict=False):
        pixels[TOP:BOTTOM, left:right] = tone
        boxes.append((left, TOP, right, BOTTOM))
    return pixels, np.array(boxes, float)


def test_the_ends_of_a_row_tell_shutters_from_windows():
    pixels, boxes = wall()
    windows, shutters = with_shutters(edges_of(pixels), boxes)
    assert windows.tolist() == [False, True, False, True, False]
    assert shutters.tolist() == [True, False, True, False, True]


def test_what_holds_two_windows_is_not_one():
    pixels, boxes = wall()
    both = np.array([[STOPS[1], TOP, STOPS[4], BOTTOM]], float)
    windows, _ = with_shutters(edges_of(pixels), np.vstack([boxes, both]))
    assert windows.tolist() == [False, True, False, True, False, False]


@pytest.mark.parametrize("tones", [(SHUTTER, GLASS, SHUTTER, GLASS, GLASS), (GLASS,) * 5])
def test_a_row_without_alike_ends_tells_nothing(tones):
    pixels, boxes = wall(tones)
    windows, shutters = with_shutters(edges_of(pixels), boxes)
    assert not windows.any() and not shutters.any()


def test_windows_in_a_bare_wall_are_left_alone():
    pixels, _ = wall(())
    boxes = np.array([[40, 60, 90, 160], [140, 60, 190, 160], [240, 60, 290, 160]], float)
    for left, top, right, bottom in boxes.astype(int):
        pixels[top:bottom, left:right] = GLASS
    windows, shutters = with_shutters(edges_of(pixels), boxes)
    assert not windows.any() and not shutters.any()
