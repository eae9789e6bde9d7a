"""`featurediff new-detector`: whole or not at all, in a name that works, and it passes its own tests."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from featurediff import cli
from featurediff.errors import CallError
from featurediff.newdetector import write as module
from featurediff.newdetector.write import FILES, write

TEMPLATE = Path(module.__file__).parent / "template"


def files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_everything_in_the_template_is_written():
    assert {p.relative_to(TEMPLATE).as_posix() for p in TEMPLATE.rglob("*") if p.is_file()} == set(FILES)


def test_what_is_written(tmp_path, capsys):
    assert cli.main(["new-detector", "row-boats", "--into", str(tmp_path)]) == 0
    folder = tmp_path / "row-boats"
    assert str(folder) in capsys.readouterr().out
    assert [p.name for p in tmp_path.iterdir()] == ["row-boats"], "nothing is left aside"
    assert files(folder) == [
        "README.md", "pyproject.toml", "src/featurediff_row_boats/__init__.py", "src/featurediff_row_boats/detector.py",
        "src/featurediff_row_boats/vocabulary.yaml", "tests/scene.py", "tests/test_detector.py",
    ]  # fmt: skip
    project = tomllib.loads((folder / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["entry-points"]["featurediff.detectors"] == {"row-boats": "featurediff_row_boats"}
    assert not [p for p in folder.rglob("*") if p.is_file() and "$" in p.read_text(encoding="utf-8")]
    style = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--isolated", "--select", "E,F,W,B,UP", "--line-length", "130", str(folder)]
    )
    assert style.returncode == 0


def test_it_passes_its_own_tests(tmp_path):
    """With this interpreter, the new folder on its path, the slowest left out; tests/job runs all in a fresh environment."""
    folder = write("kites", tmp_path)
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", "not drawings"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert run.returncode == 0, run.stdout
    assert "3 passed" in run.stdout


def test_its_tests_can_fail(tmp_path):
    """A detector that misnames a side does not pass them."""
    folder = write("kites", tmp_path)
    code = folder / "src/featurediff_kites/detector.py"
    text = code.read_text(encoding="utf-8")
    code.write_text(text.replace("outline[:, 0].mean())", "-outline[:, 0].mean())"), encoding="utf-8")
    chosen = "test_it_finds_each_thing_where_it_is or test_it_keeps_the_rules"
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", chosen],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert "2 failed" in run.stdout
    assert "sides right when mirrored: 'shape on the left' lies right of 'shape on the right'" in run.stdout


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("", "'' can't be a detector's name"),
        ("Row Boats", "How about 'row-boats'?"),
        ("row_boats", "How about 'row-boats'?"),
        ("3d", "can't be a detector's name"),
        ("-boats", "How about 'boats'?"),
        ("boats--two", "How about 'boats-two'?"),
        ("../boats", "How about 'boats'?"),
        ("b" * 41, "40 at most"),
        ("horses\n", "How about 'horses'?"),
        ("class", "is a word of Python's own"),
        ("json", "is a word of Python's own"),
        ("faces", "There is a detector 'faces' already, of featurediff"),
    ],
)
def test_bad_names(tmp_path, name, told):
    with pytest.raises(CallError, match=re.escape(told)):
        write(name, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_there_is_left_alone(tmp_path):
    (tmp_path / "kites").mkdir()
    (tmp_path / "kites" / "mine.txt").write_text("mine")
    with pytest.raises(CallError, match="is there already"):
        write("kites", tmp_path)
    assert files(tmp_path) == ["kites/mine.txt"]


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(CallError, match="is not there"):
        write("kites", tmp_path / "nowhere")
    assert list(tmp_path.iterdir()) == []


def test_nothing_half_written_stays(tmp_path, monkeypatch):
    def full(self, *arguments, **options):
        if self.name == "README.md":
            raise OSError(28, "No space left on device")
        return whole(self, *arguments, **options)

    whole = Path.write_text
    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(CallError, match="can't be written: No space left on device"):
        write("kites", tmp_path)
    assert list(tmp_path.iterdir()) == []
