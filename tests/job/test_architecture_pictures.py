"""Buildings from pictures to the list: known mistakes, perfect copies, verticals straightened. Scenes kept for reporting."""

from __future__ import annotations

import numpy as np
import pytest
from featurediff_architecture.detector import ArchitectureDetector

from featurediff import check
from featurediff.api import Picture
from featurediff.comparison import compare
from featurediff.errors import CompareError
from featurediff.settings import Settings
from featurediff.testing.camera import photograph
from featurediff.testing.hands import draw, place
from featurediff.testing.scenes import Scene, rendered_building

SHEET_MM = (381.0, 279.4)
SHEET = "381x279.4mm"


def sheet(scene, warp=None, hand="clean", turn=0.0, share=0.78, seed=3, tilt=2.0):
    """A drawing of ``scene`` photographed; the placement that it was drawn in comes with it."""
    height, width = scene.pixels.shape[:2]
    height_mm = share * min(SHEET_MM[0] / width, SHEET_MM[1] / height) * scene.size_px
    placement = place(scene, SHEET_MM, height_mm, turn)
    drawing = draw(scene, warp(scene, placement.mm_per_px) if warp else None, hand=hand, placement=placement, seed=seed)
    return photograph(drawing, tilt_deg=tilt, tilt_axis_deg=30.0, floor="wood", megapixels=6.0, seed=seed)


@pytest.fixture(scope="module")
def house():
    return rendered_building(102, "facade")


def listed(report) -> list[str]:
    return [each.text for each in report.corrections]


def test_a_perfect_copy_turned_and_scaled_down_is_close_enough(house):
    report = check(house.pixels, sheet(house, turn=6.0, share=0.6).pixels, subject="architecture", sheet=SHEET)
    assert not report.corrections, listed(report)
    assert report.lineup.turn_deg == pytest.approx(6.0, abs=0.5)
    assert report.sheet.tilt_deg == pytest.approx(2.0, abs=1.0)


def test_lines_lie_where_they_were_drawn(house):
    photo = sheet(house, hand="restated")
    result = compare(house.pixels, photo.pixels, "architecture", sheet=SHEET)
    height, width = house.pixels.shape[:2]
    height_mm = 0.78 * min(SHEET_MM[0] / width, SHEET_MM[1] / height) * house.size_px
    to_mm = place(house, SHEET_MM, height_mm).matrix
    off, found = [], 0
    for feature, spot in zip(result.subject.features, result.located, strict=True):
        if feature.kind != "segment":
            continue
        found += spot.found
        if spot.found:
            true = feature.points @ to_mm[:2, :2].T + to_mm[:2, 2]
            way = (true[1] - true[0]) / np.hypot(*(true[1] - true[0]))
            off.append(abs(float((spot.points_mm.mean(0) - true.mean(0)) @ [-way[1], way[0]])))
    assert found >= 6
    assert np.median(off) < 0.5
    assert max(off) < 0.01 * height_mm, "none is off by what counts as wrong"


def test_another_building_is_refused(house):
    other = rendered_building(103, "tower")
    with pytest.raises(CompareError):
        check(house.pixels, sheet(other).pixels, subject="architecture", sheet=SHEET)


def test_verticals_straightened_on_purpose_are_not_listed():
    scene = rendered_building(101, "tower")
    settings = Settings(subject="architecture", detector={"straighten_verticals": True})
    reference = straightened(scene.pixels)
    photo = sheet(scene_of(reference, scene.size_px))
    report = check(scene.pixels, photo.pixels, sheet=SHEET, config=settings)
    assert not [text for text in listed(report) if "corner" in text or "vertical" in text.lower() or "plumb" in text.lower()]


def straightened(pixels):
    return ArchitectureDetector().prepare(Picture(pixels, "tower"), {"straighten_verticals": True}).pixels


def scene_of(pixels, size_px) -> Scene:
    """A photograph as a scene whose lines come from its own edges."""
    height, width = pixels.shape[:2]
    return Scene("tower", pixels, {}, min(size_px, 0.95 * height), (width / 2, height / 2))
