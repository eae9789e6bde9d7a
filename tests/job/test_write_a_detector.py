"""Whole commands of someone who writes a detector: try, faults in every place, a package in an environment of its own."""

import json
import os
import re
import signal
import subprocess
import sys
import types
import venv
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from featurediff import comparison
from featurediff.api import Detector, Feature, Guess, Subject
from featurediff.errors import FeaturediffError
from featurediff.handover.wellformed import MEASURES
from featurediff.settings import Settings, SheetSettings

ROOT = Path(__file__).parents[2]
HEAD = """
import os, sys, time
import numpy as np
from featurediff.api import Detector, Feature, Subject, SubjectError, hookimpl

CORNERS = np.array([[100.0, 100], [330, 100], [330, 400], [100, 400]])
BOX = np.array([[400.0, 150], [540, 150], [540, 400], [400, 400]])

class Kites(Detector):
    name = "kites"
    title = "Kites"
    time_limit_s = 2.0

    def find(self, picture, settings):
        features = (Feature("kite", "kite", "curve", CORNERS, True), Feature("box", "box", "curve", BOX, True))
        {body}
        return Subject(features, 300.0, "height", [[80, 80], [560, 80], [560, 420], [80, 420]])

@hookimpl
def featurediff_detectors():
    return [Kites()]
"""


def command(*arguments, cwd=None, **env):
    return subprocess.run(
        [sys.executable, "-m", "featurediff", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=300,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", **env},
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """photo.png with a kite on it, sheet.png with its drawing: the sheet edge to edge."""
    folder = tmp_path_factory.mktemp("kites")
    photo = np.full((500, 600, 3), 225, np.uint8)
    things = [
        np.array([[100, 100], [330, 100], [330, 400], [100, 400]]),
        np.array([[400, 150], [540, 150], [540, 400], [400, 400]]),
    ]
    cv2.fillPoly(photo, things, (60, 70, 90), cv2.LINE_AA)
    cv2.imwrite(str(folder / "photo.png"), photo)
    sheet = np.full((210 * 4, 297 * 4), 240, np.uint8)
    cv2.polylines(sheet, [(thing * 1.5 + [150, 60]).astype(int) for thing in things], True, 80, 3, cv2.LINE_AA)
    cv2.imwrite(str(folder / "sheet.png"), sheet)
    return folder


def kites(folder, body="", name="kites.py"):
    path = folder / name
    path.write_text(HEAD.replace("{body}", body))
    return path


# ---------------------------------------------------------------- faults of a detector, as an artist sees them

CHECK = ("check", "photo.png", "sheet.png", "--sheet", "A4", "--scan", "--detector")
FAULTS = {
    "raises": ("1 / 0", "failed in 'find': ZeroDivisionError: division by zero"),
    "hangs": ("while True: time.sleep(0.1)", "took longer than 2 s in 'find' and was stopped"),
    "NaN": ("CORNERS[2] = np.nan", "feature 'kite': points: number 2 is (nan, nan)"),
    "shape": ("features = (Feature('kite', 'k', 'curve', BOX.T, True),)", "feature 'kite': points is an array of shape (2, 4)"),
    "twins": ("features = features * 2", "two features are called 'kite'"),
    "million": ("features = features * 500_000", "features: 1000000 of them; 500 at most"),
    "leaves": ("sys.exit(0)", "failed in 'find': SystemExit: 0"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_one_message_that_names_the_culprit(folder, fault):
    body, told = FAULTS[fault]
    path = kites(folder, body, f"kites_{fault}.py")
    run = command(*CHECK, path.name, cwd=folder)
    assert (run.returncode, run.stdout) == (2, "")
    first, *rest = run.stderr.splitlines()
    assert first.startswith(f"featurediff: Detector 'kites' of the detector file '{path.name}'") and told in first
    assert len(rest) == 1 and "Traceback" not in run.stderr


def test_the_traceback_only_under_verbose(folder):
    path = kites(folder, "1 / 0", "kites_verbose.py")
    run = command(*CHECK, path.name, "--verbose", cwd=folder)
    assert run.returncode == 2
    assert "Traceback" in run.stderr and f'File "{path.name}", line' in run.stderr.replace(f"{folder}/", "")
    assert run.stderr.splitlines()[-2].startswith("featurediff: Detector 'kites'")


def test_a_sound_one_compares(folder):
    run = command(*CHECK, kites(folder).name, cwd=folder)
    assert run.returncode == 0, run.stderr


def test_subjects_shows_what_does_not_fit_and_goes_on(tmp_path):
    """A version from the future, an import that fails, one that leaves: each is shown, none hides the others."""
    parts = {
        "future": HEAD.replace("{body}", "pass").replace('"kites"', '"future"').replace("time_limit_s = 2.0", "api_version = 99"),
        "lost": "import nowhere_to_be_found",
        "leaver": "raise SystemExit(0)",
    }
    for name, source in parts.items():
        (tmp_path / f"{name}_plugin.py").write_text(source)
        info = tmp_path / f"{name}-3.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 3.0\n")
        (info / "entry_points.txt").write_text(f"[featurediff.detectors]\n{name} = {name}_plugin\n")
    run = command("subjects", PYTHONPATH=str(tmp_path))
    assert run.returncode == 0
    words = " ".join(run.stdout.split())
    assert "future: CAN'T BE USED" in run.stdout and "was written for version 99 of the detector interface; this" in words
    assert "lost: CAN'T BE USED" in run.stdout and "No module named 'nowhere_to_be_found'" in words
    assert "leaver: CAN'T BE USED" in run.stdout and "SystemExit: 0" in words
    assert run.stdout.count("CAN'T BE USED") == 3 and "faces: " in run.stdout and "still-life: " in run.stdout
    assert "Traceback" not in run.stdout + run.stderr


def test_a_file_beside_a_picture_is_not_loaded(folder, tmp_path):
    """Not a detector's file, not one that bears a name Python might look for; with the command that is installed."""
    for name in ("kites.py", "detector.py", "featurediff_kites.py", "conftest.py", "sitecustomize.py", "numpy.py", "yaml.py"):
        (tmp_path / name).write_text("open('LOADED', 'a').write(__name__)\n" + HEAD.replace("{body}", "pass"))
    for name in ("photo.png", "sheet.png"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    there = sorted(tmp_path.iterdir())
    installed = Path(sys.executable).with_name("featurediff")
    own = kites(folder, name="own.py")
    for arguments in (["subjects"], ["check", "photo.png", "sheet.png", "--subject", "kites"], [*CHECK, own]):
        subprocess.run([installed, *map(str, arguments)], cwd=tmp_path, capture_output=True, timeout=120)
        assert sorted(tmp_path.iterdir()) == there, arguments
    # A folder of pictures may bring settings along, but no code.
    (tmp_path / "featurediff.yaml").write_text("detectors:\n  kites: kites.py\n")
    for arguments in (["subjects"], ["check", "photo.png", "sheet.png", "--subject", "kites", "--sheet", "A4"], ["try", "kites"]):
        run = subprocess.run([installed, *arguments], cwd=tmp_path, capture_output=True, timeout=120)
        assert not (tmp_path / "LOADED").exists(), arguments
        assert run.returncode == (0 if arguments == ["subjects"] else 2)


# ---------------------------------------------------------------- try


@pytest.mark.skipif(not hasattr(os, "fork"), reason="signals of POSIX systems")
def test_try_measures_and_survives_what_takes_the_process_down(folder):
    path = kites(folder, "if picture.pixels.shape[0] == 1: os.kill(os.getpid(), 9)", "kites_dies.py")
    run = command("try", path, "--reference", folder / "photo.png", "--quick", "--format", "json")
    assert all(line.startswith("... ") for line in run.stderr.splitlines()), "nothing but how far it is"
    assert run.returncode == 4
    trial = json.loads(run.stdout)
    (table,) = trial["tables"]
    assert table["picture"] == "photo.png"
    assert [row["feature"] for row in table["rows"]] == ["kite", "box"]
    for row in table["rows"]:
        assert row["found"] == row["drawn"] > 1 and row["error_mm"] < 1.0
        assert row["gain"] is None or row["gain"] == pytest.approx(1.0, abs=0.2)
    assert any(row["moved"] for row in table["rows"])
    told = {check["name"]: (check["passed"], check["told"]) for check in trial["checks"]}
    assert told["odd pictures"] == (False, "it took its process down (signal SIGKILL)")
    # It says the same corners whatever it is shown: the kit must not be content with that.
    assert {name for name, (passed, _) in told.items() if passed is False} == {
        "same when scaled",
        "same when turned a little",
        "odd pictures",
    }
    assert told["bounded time"][0] is True, "the rest went on"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="signals of POSIX systems")
def test_try_is_stopped_by_ctrl_c(folder):
    path = kites(folder, "print('AT WORK', flush=True); time.sleep(60)", "kites_slow.py")
    path.write_text(path.read_text().replace("time_limit_s = 2.0", "time_limit_s = 90.0"))
    run = subprocess.Popen(
        [sys.executable, "-m", "featurediff", "try", path, "--reference", folder / "photo.png"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    lines = iter(run.stderr.readline, "")
    assert any(line == "AT WORK\n" for line in lines), "what a detector prints goes to standard error"
    os.killpg(run.pid, signal.SIGINT)  # as a terminal does: to every process of it
    out, err = run.communicate(timeout=30)
    told = [line for line in err.splitlines() if not line.startswith("... ")]
    assert (run.returncode, out, told) == (130, "", ["Interrupted."])


def test_try_ends_what_no_signal_reaches(folder, monkeypatch):
    """A process that says nothing more is ended from outside, and the next one leaves out what it hung in."""
    from featurediff.testing.kit import run

    words = json.dumps({"begin": "odd pictures", "within": 0.5})
    silent = [sys.executable, "-c", f"import time; print({words!r}, flush=True); time.sleep(99)"]
    started = []

    def start(command, **options):
        started.append(subprocess.Popen(silent, **options))
        return started[-1]

    monkeypatch.setattr(run, "subprocess", types.SimpleNamespace(Popen=start, PIPE=subprocess.PIPE))
    told, job = run._Told("kites"), {"done": []}
    assert run._one_process(job, told, lambda what: None) is False
    assert told.checks[0].passed is False and "no answer within 0.5 s" in told.checks[0].told
    assert job["done"] == ["odd pictures"]
    assert started[0].returncode is not None, "it is gone"


@pytest.mark.parametrize(
    ("target", "options", "told"),
    [
        ("fases", [], "There is no detector 'fases'; did you mean 'faces'?"),
        ("kites_lost.py", [], "can't be read"),
        ("kites.py", ["--reference", "lost.png"], "The reference 'lost.png' is no file."),
        ("kites_blind.py", ["--reference", "photo.png"], "There is no kite."),
        ("kites_zero.py", ["--reference", "photo.png"], "failed in 'find': ZeroDivisionError"),
    ],
)
def test_try_tells_wrong_calls(folder, target, options, told):
    kites(folder)
    kites(folder, "raise SubjectError('There is no kite.')", "kites_blind.py")
    kites(folder, "1 / 0", "kites_zero.py")
    run = command("try", target, *options, cwd=folder)
    assert run.returncode == 2
    assert told in " ".join((run.stdout + run.stderr).split())
    assert "Traceback" not in run.stdout + run.stderr


# ---------------------------------------------------------------- whatever passes the checks does not break the engine

PLACE = st.tuples(st.floats(-50, 650), st.floats(-50, 550))


@st.composite
def odd_features(draw):
    """Features that are well formed and make no sense."""
    kind, fewest, most = draw(st.sampled_from([("point", 1, 1), ("segment", 2, 2), ("curve", 2, 9), ("ellipse", 5, 9)]))
    points = draw(st.lists(PLACE, min_size=fewest, max_size=most))
    measures = draw(st.lists(st.sampled_from(MEASURES), unique=True))
    return Feature(
        draw(st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=5)),
        draw(st.sampled_from(["kite", "kite/tail", "x"])),
        kind,
        points,
        draw(st.booleans()),
        tuple(measures),
        draw(st.sampled_from("ABC")),
        draw(st.floats(0, 1)),
        draw(st.sampled_from(["size", "proportion", "placement", "tilt", "shape", "detail"])),
        draw(st.floats(0, 30)),
        draw(st.booleans()),
    )


@settings(max_examples=4, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck))
@given(odd=st.lists(odd_features(), min_size=1, max_size=3), numbered=st.booleans(), axis=st.floats(-90, 90))
def test_odd_features_beside_a_sound_one(odd, numbered, axis):
    corners = np.array([[100.0, 100], [500, 100], [500, 400], [100, 400]])
    photo = np.full((500, 600, 3), 225, np.uint8)
    cv2.fillPoly(photo, [corners.astype(np.int32)], (60, 70, 90), cv2.LINE_AA)
    sheet = np.full((210 * 3, 297 * 3), 240, np.uint8)
    drawn = corners * 1.1 + 60
    cv2.polylines(sheet, [drawn.astype(np.int32)], True, 80, 3, cv2.LINE_AA)

    class Odd(Detector):
        name = "odd"

        def find(self, picture, settings):
            sound = Feature("kite", "kite", "curve", corners, True, ("across", "down", "width", "height"), "B", 1.0)
            return Subject((sound, *odd), 300.0, "height", corners, axis_deg=axis, numbered=numbered)

        def guess(self, drawing, subject):
            return (Guess(corners, drawn * drawing.pixels.shape[1] / 891, "the test's own"),)

    settings_ = Settings(subject="odd", sheet=SheetSettings(size="297x210mm", scan=True))
    try:
        found = comparison.compare(photo, sheet, config=settings_, detector=Odd())
    except FeaturediffError:
        return  # told in words
    from featurediff.cli.output import page_of, report_json
    from featurediff.report.text import render

    assert render(found.report) and report_json(found.report) and page_of(found)


# ---------------------------------------------------------------- a package of its own


@pytest.mark.slow
def test_a_new_detector_in_a_fresh_environment(tmp_path):
    """As its README says: installed, listed, its own tests passed. What featurediff itself needs is taken from here."""
    assert command("new-detector", "kites", "--into", tmp_path).returncode == 0
    folder, own = tmp_path / "kites", tmp_path / "venv"
    venv.create(own, with_pip=True)
    python = own / ("Scripts" if os.name == "nt" else "bin") / "python"
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"], capture_output=True, text=True, check=True
    ).stdout.strip()
    paths = [p for p in sys.path if p.endswith("site-packages")]
    # Paths of a .pth file come after the environment's own packages. An editable install adds itself by a .pth of its own.
    lines = [f"import site; site.addsitedir({path!r})" for path in paths]
    (Path(site) / "from_here.pth").write_text("\n".join(lines) + "\n")
    # Fetches setuptools to build with, as any installation does.
    subprocess.run([python, "-m", "pip", "install", "-q", "--no-deps", str(folder)], check=True, timeout=240)
    listed = subprocess.run([python, "-m", "featurediff", "subjects"], cwd=tmp_path, capture_output=True, text=True, timeout=60)
    told = r"^kites: Kites: three dark shapes.*\n.*\n  from: featurediff-kites 0\.1\.0"
    assert re.search(told, listed.stdout, re.MULTILINE), listed
    (folder / "pyproject.toml").write_text("[tool.pytest.ini_options]\npythonpath = ['tests']\n")  # the installed one is tested
    run = subprocess.run(
        [python, "-m", "pytest", "-q", "-p", "no:cacheprovider"], cwd=folder, capture_output=True, text=True, timeout=240
    )
    assert "4 passed" in run.stdout, run.stdout + run.stderr
