"""A sample of what tests/benchmark/hostile.py tries, of every kind that is quick: nothing falls."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmark"))
import hostile_cases
import hostile_pictures
import hostile_run

from featurediff.demo import get_demo

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="what a case uses and touches is read off Linux's /proc")

# These take seconds to make or to decode.
SLOW = ("bomb", "largest", "long-strip", "scans", "cut-8900", "declared-8900", "chunks", "fill", "pages-60000", "segments")


@pytest.fixture(scope="module")
def worker():
    one = hostile_run.Worker()
    yield one
    one.close()


def fallen(cases, worker, folder):
    """What did not end as it should, in words."""
    bad, tried = [], 0
    for case, make in cases:
        at = folder / str(tried)
        at.mkdir()
        try:
            make(at)
        except (OSError, ValueError):
            continue  # a name that no file can have here
        tried += 1
        outcome = hostile_run.run(case, at, worker, 60)
        if (
            outcome.what not in ("compared", "refused")
            or outcome.outside
            or outcome.raw
            or outcome.peak_mb > hostile_run.MEGABYTES
        ):
            bad.append((case.kind, case.name, outcome.what, outcome.outside, outcome.told[-200:]))
    return bad, tried


def good():
    demo = get_demo("faces")
    return hostile_cases.Good(demo, demo.reference.read_bytes(), demo.drawing.read_bytes(), Path("none"), Path("none"))


def test_pictures(worker, tmp_path):
    chosen = [(name, make) for name, make in hostile_pictures.special().items() if not any(word in name for word in SLOW)]
    cases = [
        (hostile_run.Case("by hand", name, ["read", "picture", name]), lambda folder, make=make, name=name: make(folder / name))
        for name, make in chosen
    ]
    streams = (*hostile_pictures.fuzzed(90, 5), *hostile_pictures.profiles(16, 5), *hostile_pictures.exifs(16, 5))
    cases += [
        (hostile_run.Case("damaged", name, ["read", "picture", name]), lambda folder, n=name, d=data: (folder / n).write_bytes(d))
        for name, data in streams
    ]
    bad, tried = fallen(cases, worker, tmp_path)
    assert bad == [] and tried > 150


def test_names(worker, tmp_path):
    cases = [
        each for each in hostile_cases.names(good()) if each[0].kind in ("names of settings", "names of marks", "odd options")
    ]
    bad, tried = fallen(cases, worker, tmp_path)
    assert bad == [] and tried > 200


def test_settings_and_marks(worker, tmp_path):
    slow = ("huge list", "huge block", "deep ", "unclosed", "merge bomb", "dashes", "anchors", "question marks", "colons")
    slow += ("many documents", "used: ", "of this folder")
    texts = hostile_cases.texts(good(), 5, 30)
    cases = [each for each in texts if not any(word in each[0].name for word in slow)]
    bad, tried = fallen(cases, worker, tmp_path)
    assert bad == [] and tried > 110


def test_links_in_a_class_folder_are_not_followed(tmp_path):
    from featurediff.classroom import files
    from featurediff.errors import CompareError

    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "sheet-001").symlink_to("elsewhere")
    with pytest.raises(CompareError, match="is a link"):
        files.make_folder(tmp_path / "sheet-001")
