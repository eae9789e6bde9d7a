"""The code that README and DEVELOPERS.md show, run as it stands there; the detector on a drawing with one known error."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

import featurediff
from featurediff.discovery import load_detector_file
from featurediff.errors import SubjectError
from featurediff.records import Picture

ROOT = Path(__file__).parents[2]
CENTRES = np.array([[300, 260], [640, 330], [230, 560], [520, 610], [760, 700], [360, 900], [640, 960]], float)
RADII = (60, 48, 70, 55, 62, 50, 66)
MM_PER_PX, MOVE_MM, PX_PER_MM = 0.18, (15.0, 40.0), 6


def code_of(page):
    return re.findall(r"```python\n(.*?)```", (ROOT / page).read_text(encoding="utf-8"), re.DOTALL)


@pytest.fixture(scope="module")
def detector(tmp_path_factory):
    path = tmp_path_factory.mktemp("example") / "buttons.py"
    path.write_text(code_of("DEVELOPERS.md")[0], encoding="utf-8")
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


def test_all_code_shown_is_run_here():
    assert (len(code_of("DEVELOPERS.md")), len(code_of("README.md"))) == (3, 1)


def test_the_example_is_about_thirty_lines():
    lines = [line for line in code_of("DEVELOPERS.md")[0].splitlines() if line.strip()]
    assert len(lines) <= 36


def test_its_tests_as_shown(reference, tmp_path):
    detector, tests, _ = code_of("DEVELOPERS.md")
    (tmp_path / "buttons.py").write_text(detector, encoding="utf-8")
    (tmp_path / "test_buttons.py").write_text(tests, encoding="utf-8")
    cv2.imwrite(str(tmp_path / "buttons.png"), reference[..., ::-1])
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(tmp_path)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=200,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert "2 passed" in run.stdout, run.stdout


def test_a_drawing_with_a_known_error_as_shown(detector, reference, tmp_path, monkeypatch):
    code, _, known = code_of("DEVELOPERS.md")
    (tmp_path / "buttons.py").write_text(code, encoding="utf-8")
    cv2.imwrite(str(tmp_path / "buttons.png"), reference[..., ::-1])
    monkeypatch.chdir(tmp_path)
    monkeypatch.syspath_prepend(str(tmp_path))
    exec(compile(known, "DEVELOPERS.md", "exec"), {})
    report = featurediff.check("buttons.png", "sheet.png", subject="buttons", sheet="A4")
    (correction,) = report.corrections
    assert correction.explains == ("button D",) and correction.text.startswith("Move the button D 4 mm left")


def test_the_call_from_python_as_readme_shows_it(tmp_path, monkeypatch, capsys):
    from featurediff.demo import get_demo

    demo = get_demo("faces")
    shutil.copy(demo.reference, tmp_path / "photo.jpg")
    shutil.copy(demo.drawing, tmp_path / "sheet.jpg")
    monkeypatch.chdir(tmp_path)
    exec(compile(code_of("README.md")[0], "README.md", "exec"), {})
    printed = capsys.readouterr().out
    assert printed.startswith("1 ") and "brow on the left True" in printed
