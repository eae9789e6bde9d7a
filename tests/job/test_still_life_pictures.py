"""Still lifes as whole pictures: an open photograph with a rim drawn too flat, a bird with a dent in its back."""

from __future__ import annotations

import re

import numpy as np
import pytest
from featurediff_still_life.detector import StillLifeDetector
from featurediff_still_life.ellipses import fit_ellipse
from skimage import data

from featurediff.comparison import compare
from featurediff.geometry import rescale_points
from featurediff.records import Picture
from featurediff.settings import Settings
from featurediff.testing.camera import photograph
from featurediff.testing.hands import draw, place
from featurediff.testing.scenes import coffee_scene
from featurediff.testing.silhouettes import dented, rendered_silhouette
from featurediff.testing.warp import PointMove, Warp

SHEET = (297.0, 210.0)
BOXES = {"objects": ["cup:172,14,240,300", "saucer:74,70,410,315"]}
ENLARGED = 2.5  # `coffee_scene` against the photograph


def listed(reference, scene, warp, hand: str, detector=None, high: float = 160.0) -> list[str]:
    """What is told of a drawing of ``scene``, photographed on a wooden floor."""
    drawing = draw(scene, warp, hand=hand, placement=place(scene, SHEET, high, centre=(148.5, 105.0)), seed=3)
    photo = photograph(drawing, tilt_deg=2.0, tilt_axis_deg=40.0, floor="wood", seed=3)
    report = compare(reference, photo.pixels, "still-life", sheet="297x210mm", config=Settings(detector=detector or {})).report
    return [each.text for each in report.corrections]


@pytest.mark.slow
@pytest.mark.parametrize("hand", ["clean", "tonal"])
def test_a_rim_of_an_open_photograph_drawn_too_flat_is_opened(hand):
    """scikit-image's photograph of a cup on a saucer (Pikolo Espresso Bar, CC0); no line of it is known but by its own edges."""
    scene = coffee_scene()
    subject = StillLifeDetector().find(Picture(data.coffee(), "coffee"), BOXES)
    cup, saucer = (rescale_points(subject.feature(f"rim of the {name}").points, ENLARGED) for name in ("cup", "saucer"))
    rim = fit_ellipse(cup)
    short = rim.axes[1]
    flat = cup - 0.07 * ((cup - rim.centre) @ short)[:, None] * short
    far = np.sqrt(((saucer[:, None] - cup[None]) ** 2).sum(2)).min(1) > 120
    warp = Warp([PointMove(cup, flat)], saucer[far], scene.pixels.shape[:2])
    mm = 160.0 / scene.size_px
    [told] = listed(data.coffee(), scene, warp, hand, BOXES)
    drawn, true = map(float, re.search(r"Open the rim of the cup: short axis (\d+) mm to (\d+) mm", told).groups())
    assert drawn == pytest.approx(0.93 * 2 * rim.short * mm, abs=1) and true == pytest.approx(2 * rim.short * mm, abs=1)


@pytest.mark.slow
def test_a_dent_in_a_general_outline_is_told_between_its_marks():
    scene = rendered_silhouette(1, "bird")
    outline = scene.curves["bird: outline"]
    high = 230.0 * scene.size_px / float(np.ptp(outline[:, 0]))
    warp = dented(scene, high / scene.size_px, 0.949, 4.5, 25.0)
    [told] = listed(scene.pixels, scene, warp, "clean", high=high)
    amount = re.match(
        r"Move the \w+ of the outline of the object \((\d)\) in (\d(\.5)?) mm between \1[a-i] and \1[a-i] on the", told
    )
    assert amount and float(amount[2]) == pytest.approx(4.5, abs=1.0), told
