"""The detector that DEVELOPERS.md shows, run as it stands there, on a drawing with one known error."""

import re
from pathlib import Path

import cv2
import numpy as np
import pytest

import featurediff
from featurediff.discovery import load_detector_file
from featurediff.errors import SubjectError
from featurediff.records import Picture

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
CENTRES = np.array([[300, 260], [640, 330], [230, 560], [520, 610], [760, 700], [360, 900], [640, 960]], float)
RADII = (60, 48, 70, 55, 62, 50, 66)
MM_PER_PX, MOVE_MM, PX_PER_MM = 0.18, (15.0, 40.0), 6


@pytest.fixture(scope="module")
def detector(tmp_path_factory):
    (code,) = re.findall(r"```python\n(.*?)```", DEVELOPERS.read_text(encoding="utf-8"), re.DOTALL)
    path = tmp_path_factory.mktemp("example") / "buttons.py"
    path.write_text(code, encoding="utf-8")
    return load_detector_file(path)


@pytest.fixture(scope="module")
def reference():
    picture = np.full((1200, 1000, 3), 235, np.uint8)
    for (x, y), radius in zip(CENTRES.astype(int), RADII, strict=True):
        cv2.circle(picture, (int(x), int(y)), radius, (60, 70, 90), -1, cv2.LINE_AA)
    return picture


def test_it_finds_the_buttons(detector, reference):
    subject = detector.find(Picture(reference, "buttons.png"), {})
    assert [f.name for f in subject.features] == [f"button {letter}" for letter in "ABCDEFG"]
    for feature, centre, radius in zip(subject.features, CENTRES, RADII, strict=True):
        middle = (feature.points.min(0) + feature.points.max(0)) / 2
        assert middle == pytest.approx(centre, abs=1.0)
        assert np.ptp(feature.points[:, 0]) / 2 == pytest.approx(radius, abs=1.5)
    with pytest.raises(SubjectError, match=r"fewer than three buttons on empty\.png"):
        detector.find(Picture(np.full_like(reference, 235), "empty.png"), {})


def test_one_button_too_far_right(detector, reference):
    off_mm, wrong = 4.0, 3
    sheet = np.full((297 * PX_PER_MM, 210 * PX_PER_MM), 240, np.uint8)
    places = CENTRES * MM_PER_PX + MOVE_MM
    places[wrong, 0] += off_mm
    for (x, y), radius in zip(places * PX_PER_MM * 16, RADII, strict=True):
        size = round(radius * MM_PER_PX * PX_PER_MM * 16)
        cv2.circle(sheet, (round(x), round(y)), size, 90, 3, cv2.LINE_AA, 4)
    report = featurediff.check(reference, sheet, subject="buttons", sheet="A4", scan=True)
    results = {f.name: f for f in report.features}
    assert all(f.found for f in report.features)
    assert results["button D"].off_mm == pytest.approx((off_mm, 0), abs=0.5)
    for name in set(results) - {"button D"}:
        assert np.hypot(*results[name].off_mm) < 0.5
    (correction,) = report.corrections
    assert correction.explains == ("button D",)
    assert correction.text.startswith("Move the button D 4 mm left")
