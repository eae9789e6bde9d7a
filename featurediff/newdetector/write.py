"""Write the template of a packaged detector under a name, whole or not at all."""

from __future__ import annotations

import keyword
import os
import re
import shutil
import string
import sys
import tempfile
from importlib import resources
from pathlib import Path

from featurediff.discovery import find_detectors
from featurediff.errors import CallError

LONGEST = 40
# file in the template -> where it goes; the names of files hold ``module`` too.
FILES = {
    "pyproject.toml.template": "pyproject.toml",
    "README.md.template": "README.md",
    "package.py.template": "src/{module}/__init__.py",
    "detector.py.template": "src/{module}/detector.py",
    "vocabulary.yaml.template": "src/{module}/vocabulary.yaml",
    "tests/test_detector.py.template": "tests/test_detector.py",
    "tests/scene.py.template": "tests/scene.py",
}


def write(name: str, into: str | Path = ".") -> Path:
    """Write a new detector called ``name`` into the folder ``into``/``name`` and return that. Raises CallError."""
    check_name(name)
    parent = Path(into)
    if not os.path.isdir(parent):
        raise CallError(f"The folder '{into}' is not there.", "Make it first, or name another after --into.")
    folder = parent / name
    if os.path.lexists(folder):
        raise CallError(f"'{folder}' is there already.", "Choose another name, or another folder after --into.")
    words = words_for(name)
    try:
        aside = Path(tempfile.mkdtemp(prefix=f".{name}-", dir=parent))
    except OSError as error:
        raise _unwritable(parent, error) from error
    try:
        _fill(aside, words)
        aside.chmod(0o755)  # mkdtemp's own is for the owner alone
        aside.rename(folder)
    except OSError as error:
        raise _unwritable(folder, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return folder


def check_name(name: str) -> None:
    """Raise CallError for a name that can't be a subject's, a package's and a module's at once."""
    better = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:LONGEST].strip("-")
    hint = f" How about '{better}'?" if re.fullmatch(r"[a-z][a-z0-9-]*", better) and better != name else ""
    if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name) or len(name) > LONGEST:
        raise CallError(
            f"'{name}' can't be a detector's name.",
            f"Small letters, digits and single hyphens, a letter first, {LONGEST} at most.{hint}",
        )
    module = name.replace("-", "_")
    if keyword.iskeyword(module) or module in sys.stdlib_module_names or module in ("test", "tests", "featurediff"):
        raise CallError(f"'{name}' is a word of Python's own.", "Name it after what is drawn.")
    taken = next((found for found in find_detectors() if found.name == name), None)
    if taken is not None:
        raise CallError(f"There is a detector '{name}' already, of {taken.origin}.", "Choose another name.")


def words_for(name: str) -> dict[str, str]:
    """What is filled into the template."""
    parts = name.split("-")
    return {
        "name": name,
        "module": "featurediff_" + "_".join(parts),
        "package": f"featurediff-{name}",
        "classname": "".join(part.capitalize() for part in parts) + "Detector",
        "title": " ".join(parts).capitalize(),
    }


def _fill(folder: Path, words: dict[str, str]) -> None:
    template = resources.files("featurediff.newdetector") / "template"
    for source, target in FILES.items():
        text = template.joinpath(*source.split("/")).read_text(encoding="utf-8")
        path = folder / target.format(**words)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(string.Template(text).substitute(words), encoding="utf-8")


def _unwritable(path: Path, error: OSError) -> CallError:
    return CallError(f"'{path}' can't be written: {error.strerror or error}.", "Name another folder after --into.")
