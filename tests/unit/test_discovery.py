"""Detectors are found without being imported, loaded one by one, and their faults are contained and named."""

import sys

import pytest

from featurediff import discovery
from featurediff.errors import DetectorError

GOOD = """
from __future__ import annotations
from dataclasses import dataclass
from featurediff.api import Detector, Subject, hookimpl

@dataclass
class Kites(Detector):
    name: str = "kites"
    title: str = "Kites"
    judges: tuple[str, ...] = ("tail",)

    def find(self, picture, settings):
        raise NotImplementedError

@hookimpl
def featurediff_detectors():
    return [Kites()]
"""


@pytest.fixture(autouse=True)
def fresh(monkeypatch):
    """Every test starts with nothing loaded."""
    for store in ("_loaded", "_from_file", "_files"):
        monkeypatch.setattr(discovery, store, {})


@pytest.fixture
def install(tmp_path, monkeypatch):
    """Install a package with one entry point, as far as importlib.metadata can tell."""
    monkeypatch.syspath_prepend(str(tmp_path))

    def put(source, name="kites", module="kites_plugin", package="kites-package", version="2.1"):
        (tmp_path / f"{module}.py").write_text(source)
        info = tmp_path / f"{package.replace('-', '_')}-{version}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: {version}\n")
        (info / "entry_points.txt").write_text(f"[featurediff.detectors]\n{name} = {module}\n")

    yield put
    for module in [
        m for m in sys.modules if getattr(sys.modules[m], "__file__", None) and str(tmp_path) in sys.modules[m].__file__
    ]:
        del sys.modules[module]


@pytest.fixture
def detector_file(tmp_path):
    def write(source, name="kites.py"):
        path = tmp_path / name
        path.write_text(source)
        return path

    return write


def names():
    return [f.name for f in discovery.find_detectors()]


def test_the_shipped_detectors_use_the_same_group():
    assert "faces" in names()
    found = next(f for f in discovery.find_detectors() if f.name == "faces")
    assert found.package == "featurediff"
    assert found.value == "featurediff_faces"


def test_finding_imports_nothing(install):
    install("raise RuntimeError('imported')")
    found = next(f for f in discovery.find_detectors() if f.name == "kites")
    assert (found.package, found.version) == ("kites-package", "2.1")
    assert found.origin == "kites-package 2.1 (kites_plugin)"
    assert "kites_plugin" not in sys.modules


def test_an_installed_detector_is_loaded_once(install):
    install(GOOD)
    detector = discovery.load_detector("kites")
    assert detector.name == "kites"
    assert discovery.load_detector("kites") is detector


def test_a_faulty_neighbour_does_no_harm(install):
    install("raise RuntimeError('boom')", name="broken", module="broken_plugin", package="broken-package")
    install(GOOD)
    assert discovery.load_detector("kites").judges == ("tail",)


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("raise RuntimeError('boom')", "can't be loaded: RuntimeError: boom"),
        ("import nowhere_to_be_found", "can't be loaded: ModuleNotFoundError: No module named 'nowhere_to_be_found'"),
        ("def (", "can't be loaded: SyntaxError"),
        ("raise SystemExit(3)", "can't be loaded: SystemExit: 3"),
        ("", "has no hook featurediff_detectors"),
        (GOOD.replace("@hookimpl", ""), "has no hook featurediff_detectors"),
        (GOOD.replace("def featurediff_detectors", "def featurediff_detektors"), "unknown hook 'featurediff_detektors'"),
        (GOOD.replace("featurediff_detectors()", "featurediff_detectors(picture)"), "has a faulty hook"),
        (GOOD.replace("return [Kites()]", "return 1/0"), "failed in its hook featurediff_detectors: ZeroDivisionError"),
        (GOOD.replace("return [Kites()]", "return None"), "offers no detector of that name, only: none"),
        (GOOD.replace("return [Kites()]", "return Kites()"), "returned Kites; a list of detectors is wanted"),
        (GOOD.replace("return [Kites()]", "return [Kites]"), "returned the class Kites"),
        (GOOD.replace("return [Kites()]", "return [Kites(), Kites()]"), "two detectors of one name"),
        (GOOD.replace("return [Kites()]", "return ['kites']"), "str has no method 'guess'"),
        (GOOD.replace('"kites"', '""'), "Kites has no 'name'"),
        (
            GOOD.replace("    def find(self, picture, settings):\n        raise NotImplementedError\n", ""),
            "does not define 'find'",
        ),
        (GOOD.replace('name: str = "kites"', 'name: str = "kites"; api_version: int = 99'), "was written for version 99"),
        (GOOD.replace('name: str = "kites"', 'name: str = "kites"; api_version: int = "1"'), "does not say its 'api_version'"),
        (GOOD.replace('("tail",)', '"tail"'), "'judges' of Kites must be a tuple of words"),
        (GOOD.replace('name: str = "kites"', 'name: str = "kites"; settings = ("wind",)'), "'settings' of Kites must be a dict"),
        (GOOD.replace('("tail",)', "5"), "Kites is faulty: TypeError"),
        (GOOD.replace('"kites"', '"kite"'), "offers no detector of that name, only: 'kite'"),
    ],
)
def test_faults_name_the_plugin(install, source, told):
    install(source)
    with pytest.raises(DetectorError, match=told) as caught:
        discovery.load_detector("kites")
    assert str(caught.value).startswith("Detector 'kites' of kites-package 2.1 (kites_plugin)")


def test_a_misspelt_subject():
    with pytest.raises(DetectorError, match=r"no detector for the subject 'fases'; did you mean 'faces'\?"):
        discovery.load_detector("fases")


def test_one_name_from_two_packages(install):
    install(GOOD)
    install(GOOD, module="other_plugin", package="other")
    with pytest.raises(DetectorError, match=r"offered twice, by kites-package 2.1 \(kites_plugin\) and other 2.1"):
        discovery.load_detector("kites")


def test_a_package_without_a_name_is_listed(install, tmp_path):
    install(GOOD)
    (tmp_path / "kites_package-2.1.dist-info" / "METADATA").unlink()
    assert "kites" in names()


def test_a_detector_from_a_file(detector_file, monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    path = detector_file(GOOD)
    before, path_before = set(path.parent.iterdir()), list(sys.path)
    detector = discovery.load_detector_file(path)
    assert detector.name == "kites"
    assert discovery.load_detector("kites") is detector
    assert discovery.load_detector_file(path) is detector, "models stay loaded between calls"
    assert set(path.parent.iterdir()) == before, "nothing is written beside the file"
    assert sys.path == path_before


def test_a_changed_file_is_run_again(detector_file):
    discovery.load_detector_file(detector_file(GOOD))
    assert discovery.load_detector_file(detector_file(GOOD.replace('"Kites"', '"Box kites"'))).title == "Box kites"


def test_a_file_wins_over_an_installed_detector(install, detector_file):
    install(GOOD)
    detector_file(GOOD.replace('"Kites"', '"Mine"'), "mine.py")
    assert discovery.load_detector_file(detector_file(GOOD.replace('"Kites"', '"Mine"'), "mine.py")).title == "Mine"
    assert discovery.load_detector("kites").title == "Mine"


def test_two_files_of_one_name_do_not_mix(tmp_path):
    for folder, title in (("a", "A"), ("b", "B")):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "kites.py").write_text(GOOD.replace('"Kites"', f'"{title}"'))
    titles = [discovery.load_detector_file(tmp_path / folder / "kites.py").title for folder in ("a", "b")]
    assert titles == ["A", "B"]


def test_a_file_with_several_detectors(detector_file):
    path = detector_file(GOOD.replace("[Kites()]", '[Kites(), Kites("boats")]'))
    with pytest.raises(DetectorError, match="offers several detectors: kites, boats"):
        discovery.load_detector_file(path)
    assert discovery.load_detector_file(path, "boats").name == "boats"
    with pytest.raises(DetectorError, match="has no detector 'boat', only: kites, boats; did you mean 'boats'"):
        discovery.load_detector_file(path, "boat")


def test_a_file_that_can_not_be_used(detector_file, tmp_path):
    before = set(sys.modules)
    with pytest.raises(DetectorError, match=r"The detector file '.*kites.py' can't be loaded: NameError"):
        discovery.load_detector_file(detector_file("nonsense"))
    assert set(sys.modules) == before, "no half-run module stays behind"
    with pytest.raises(DetectorError, match="offers no detector"):
        discovery.load_detector_file(detector_file(GOOD.replace("[Kites()]", "[]")))
    with pytest.raises(DetectorError, match="is a folder"):
        discovery.load_detector_file(tmp_path)
    with pytest.raises(DetectorError, match="can't be read"):
        discovery.load_detector_file(tmp_path / "missing.py")
    with pytest.raises(DetectorError, match="is no Python file"):
        discovery.load_detector_file(detector_file(GOOD, "kites.txt"))


def test_closing_releases_all_and_survives_a_fault(detector_file):
    closing = (
        GOOD
        + """
closed = []
def close_first(self):
    closed.append(self.name)
    raise RuntimeError("no")
Kites.close = close_first
"""
    )
    path = detector_file(closing.replace("[Kites()]", '[Kites(), Kites("boats")]'))
    module = sys.modules[type(discovery.load_detector_file(path, "boats")).__module__]
    discovery.load_detector_file(path, "kites")
    discovery.close_detectors()
    assert sorted(module.closed) == ["boats", "kites"]
    with pytest.raises(DetectorError):
        discovery.load_detector("kites")
