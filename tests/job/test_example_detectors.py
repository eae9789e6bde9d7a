"""The examples for authors of detectors do what they say: the package's own tests pass, the marks lie on their picture."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from featurediff.marking.detector import detector_for, with_marks
from featurediff.marking.read import read_marks
from featurediff.pictures import read_picture
from featurediff.settings import Settings
from featurediff.testing.kit import advice

ROOT = Path(__file__).parents[2]
LETTERING = ROOT / "demo_cases" / "detectors" / "lettering"
MARKS = sorted((ROOT / "demo_cases" / "marks").glob("*/marks.yaml"))


def test_the_package_passes_its_own_tests(tmp_path):
    # Those with the kit draw for minutes: `featurediff try` and tests/benchmark/own_detectors.py do that.
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", "not rules and not drawings", str(LETTERING)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=200,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert "11 passed" in run.stdout, run.stdout


@pytest.mark.parametrize("path", MARKS, ids=lambda path: path.parent.name)
def test_marks_lie_on_edges_of_their_picture(path):
    settings = with_marks(Settings(), read_marks(path))
    picture = read_picture(path.parent / "reference.jpg")
    subject = detector_for(settings).find(picture, settings.detector)
    assert len(subject.features) >= 8
    faint = {
        each.name for each in subject.features
        if advice.edge_strength(each, picture.pixels, subject.size_px) < advice.HARDLY_AN_EDGE
    }  # fmt: skip
    assert len(faint) <= 0.1 * len(subject.features), faint
