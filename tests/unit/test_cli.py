"""The command line as a user meets it: exit status, stdout, stderr; and what it must not do.

The comparison itself is replaced by a small stand-in here (see ``stand_in``); whole runs are in tests/job.
"""

import argparse
import io
import json
import os
import subprocess
import sys
import types
from dataclasses import replace
from pathlib import Path

import pytest

from featurediff import cli, discovery
from featurediff.cli.output import prepare_folder, write_atomically
from featurediff.errors import CallError, FeaturediffError, SheetError
from featurediff.settings import Settings

HEAVY = ("numpy", "cv2", "mediapipe", "PIL", "pillow_heif", "yaml", "pluggy", "scipy", "skimage", "matplotlib")

# A detector that needs nothing, so that failures behind it can be seen.
DETECTOR = """
from featurediff.api import Detector, hookimpl
class Kites(Detector):
    name = "kites"
    title = "Kites in the wind"
    judges = ("tail", "cross")
    def find(self, picture, settings):
        raise NotImplementedError
@hookimpl
def featurediff_detectors():
    return [Kites()]
"""


def featurediff(*arguments, cwd=None, env=None, **options):
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "featurediff", *map(str, arguments)],
        capture_output=True,
        cwd=cwd,
        env={**os.environ, **(env or {})},
        timeout=60,
        **options,
    )


@pytest.fixture
def kites(tmp_path):
    path = tmp_path / "kites.py"
    path.write_text(DETECTOR)
    return path


@pytest.fixture
def stand_in(monkeypatch):
    """Replace the comparison by a recorder; returns the list of calls and lets a test choose what happens."""
    seen = types.SimpleNamespace(calls=[], result=types.SimpleNamespace(to_dict=lambda: {"schema": 1}, seconds={"match": 1.5}))

    def compare(reference, drawing, config):
        seen.calls.append((reference, drawing, config))
        if isinstance(seen.result, BaseException):
            raise seen.result
        return types.SimpleNamespace(report=seen.result)

    module = types.ModuleType("featurediff.comparison")
    module.compare = compare
    monkeypatch.setitem(sys.modules, "featurediff.comparison", module)
    for store in ("_loaded", "_from_file", "_files"):
        monkeypatch.setattr(discovery, store, {})
    return seen


# ---------------------------------------------------------------- start-up


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["check", "--help"], ["demo", "--help"]])
def test_help_loads_nothing_heavy(arguments):
    code = (
        "import sys; from featurediff.cli import main; status = main(sys.argv[1:]); "
        f"print([m for m in {HEAVY} if m in sys.modules], file=sys.stderr); sys.exit(status)"
    )
    run = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=60)
    assert run.returncode == 0, run.stderr
    assert run.stderr.strip() == "[]"
    assert "featurediff" in run.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="counts a process's own time the POSIX way")
@pytest.mark.parametrize(("arguments", "most_s"), [(["--help"], 0.2), (["subjects"], 0.5)], ids=["help", "subjects"])
def test_it_answers_at_once(arguments, most_s):
    """In processor time, user and system, so that other work on the machine does not count; the best of five."""
    import resource

    def seconds():
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-m", "featurediff", *arguments], capture_output=True, check=True, timeout=60)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    assert min(seconds() for _ in range(5)) < most_s


def test_subjects_loads_no_model_and_no_picture_library():
    code = (
        "import sys; from featurediff.cli import main; status = main(['subjects']); "
        "print([m for m in ('cv2', 'mediapipe', 'PIL', 'matplotlib') if m in sys.modules], file=sys.stderr); sys.exit(status)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert run.stderr.strip() == "[]"
    assert "faces: " in run.stdout and "from: featurediff " in run.stdout


# ---------------------------------------------------------------- wrong calls


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "the following arguments are required: COMMAND"),
        (["chek"], "invalid choice"),
        (["check"], "REFERENCE"),
        (["check", "a.jpg", "b.jpg"], "Add --subject NAME"),
        (["check", "a.jpg", "b.jpg", "--subject", "fase"], "did you mean 'faces'?"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--sheet", "A44"], "'A44' is not a sheet size"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--lineup", "nose,"], "'nose,' is no line-up"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--px-per-mm", "-3"], "no number above 0"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--px-per-mm", "nan"], "no number above 0"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--px-per-mm", "5000"], "out of range"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--sides", "left"], "invalid choice"),
        (["check", "a.jpg", "b.jpg", "--subject", "faces", "--format", "xml"], "invalid choice"),
        (
            ["check", "a.jpg", "b.jpg", "--subject", "faces", "--config", "missing.yaml"],
            "There is no settings file 'missing.yaml'",
        ),
        (["check", "a.jpg", "b.jpg", "--detector", "missing.py"], "can't be read"),
        (["check", "a.jpg", "b.jpg", "--sub", "faces"], "unrecognized arguments"),
        (["demo", "fasces"], "There is no example 'fasces'"),
    ],
)
def test_wrong_calls_exit_with_2(arguments, told):
    run = featurediff(*arguments, text=True)
    assert run.returncode == 2
    assert told in run.stderr
    assert "Traceback" not in run.stderr
    assert run.stdout == ""


def test_a_wrong_settings_file_is_told_with_its_places(tmp_path):
    (tmp_path / "my.yaml").write_text("subject: faces\nsheet:\n  sise: A4\nlineup: {rule: 5}\n")
    run = featurediff("check", "a.jpg", "b.jpg", "--config", "my.yaml", text=True, cwd=tmp_path)
    assert run.returncode == 2
    assert "my.yaml:3:3: sheet: unknown setting 'sise'; did you mean 'size'?" in run.stderr
    assert "my.yaml:4:16: lineup.rule: " in run.stderr


@pytest.mark.parametrize("subject", ["faces", "architecture", "still-life"])
def test_a_detectors_unknown_settings_are_told_with_their_places(subject, tmp_path):
    (tmp_path / "my.yaml").write_text("sheet:\n  size: A4\ndetector:\n  spoon: 2\n  objcts: [1]\n")
    run = featurediff("check", "a.jpg", "b.jpg", "--subject", subject, "--config", "my.yaml", text=True, cwd=tmp_path)
    assert run.returncode == 2
    assert f"my.yaml:4: detector: unknown setting 'spoon' for {subject}\n" in run.stderr
    meant = "; did you mean 'objects'?" if subject == "still-life" else ""
    assert f"my.yaml:5: detector: unknown setting 'objcts' for {subject}{meant}\n" in run.stderr
    assert f"{subject} takes " in run.stderr


# ---------------------------------------------------------------- options reach the engine


def test_options_and_file_reach_the_engine(stand_in, kites, tmp_path, capsys):
    (tmp_path / "my.yaml").write_text("sheet: {size: A3, px_per_mm: 4}\ncorrections: {merge_mm: 2}\n")
    options = ["--sheet", "A5", "--scan", "--lineup", "tail,cross", "--sides", "sitter", "--format", "json"]
    status = cli.main(["check", "r.jpg", "d.jpg", "--detector", str(kites), "--config", str(tmp_path / "my.yaml"), *options])
    assert status == 0
    ((reference, drawing, settings),) = stand_in.calls
    assert (reference, drawing) == ("r.jpg", "d.jpg")
    assert (settings.subject, settings.sheet.size, settings.sheet.scan, settings.sheet.px_per_mm) == ("kites", "A5", True, 4.0)
    assert (settings.lineup.rule, settings.corrections.sides, settings.corrections.merge_mm) == ("tail,cross", "sitter", 2.0)
    assert json.loads(capsys.readouterr().out) == {"schema": 1}


def test_boxes_of_things_reach_the_detector_beside_its_other_settings(stand_in, kites, tmp_path):
    (tmp_path / "my.yaml").write_text("detector: {wind: 3}\n")
    boxes = ["--object", "jug:1,2,30,40", "--object", "pear:5,6,7,8"]
    status = cli.main(
        ["check", "r.jpg", "d.jpg", "--detector", str(kites), "--config", str(tmp_path / "my.yaml"), *boxes, "--format", "json"]
    )
    assert status == 0
    assert stand_in.calls[0][2].detector == {"wind": 3, "objects": ["jug:1,2,30,40", "pear:5,6,7,8"]}


def test_without_options_nothing_is_given(stand_in, kites):
    assert cli.main(["check", "r.jpg", "d.jpg", "--detector", str(kites), "--format", "json"]) == 0
    assert stand_in.calls[0][2] == replace(Settings(), subject="kites")


def test_verbose_shows_where_the_time_went(stand_in, kites, capsys):
    cli.main(["check", "r.jpg", "d.jpg", "--detector", str(kites), "--format", "json", "--verbose"])
    assert "match" in capsys.readouterr().err


# ---------------------------------------------------------------- failures


@pytest.mark.parametrize(
    ("failure", "status", "told"),
    [
        (SheetError("The sheet was not found.", "Show all four edges."), 3, "The sheet was not found.\nShow all four edges."),
        (CallError("Wrong."), 2, "Wrong."),
        (MemoryError(), 3, "Export them smaller"),
        (RuntimeError("odd"), 1, "A fault of featurediff itself: RuntimeError: odd"),
        (ImportError("libGL.so.1: cannot open shared object file"), 3, "apt-get install libgl1"),
        (OSError("libEGL.so.1: cannot open shared object file"), 3, "apt-get install libegl1"),
        (ModuleNotFoundError("No module named 'mediapipe'", name="mediapipe"), 3, "package 'mediapipe' is missing"),
        (KeyboardInterrupt(), 130, "Interrupted."),
        (BrokenPipeError(), 141, ""),
    ],
)
def test_failures_are_one_sentence_and_a_status(stand_in, kites, capsys, failure, status, told, monkeypatch):
    monkeypatch.setattr(cli, "_give_up_output", lambda status: status)
    stand_in.result = failure
    assert cli.main(["check", "r.jpg", "d.jpg", "--detector", str(kites)]) == status
    output = capsys.readouterr()
    assert told in output.err
    assert "Traceback" not in output.err
    assert output.out == ""


def test_verbose_shows_the_traceback(stand_in, kites, capsys):
    stand_in.result = SheetError("The sheet was not found.")
    assert cli.main(["check", "r.jpg", "d.jpg", "--detector", str(kites), "--verbose"]) == 3
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_reader_that_goes_away_is_no_complaint(unbuffered):
    process = subprocess.Popen(
        [sys.executable, "-m", "featurediff", "subjects"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
        text=True,
    )
    process.stdout.close()
    complaint = process.stderr.read()
    assert process.wait(60) == cli.PIPE_CLOSED
    assert complaint == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_full_disk_behind_stdout(unbuffered):
    with open("/dev/full", "w") as full:
        run = subprocess.run(
            [sys.executable, "-m", "featurediff", "subjects"],
            stdout=full,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
            text=True,
            timeout=60,
        )
    assert run.returncode == 3
    assert run.stderr == "featurediff: There is no space left to write to.\n"


@pytest.mark.skipif(sys.platform == "win32", reason="a shell's way to close a stream")
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
def test_closed_streams(closed):
    run = subprocess.run(["sh", "-c", f"exec {sys.executable} -m featurediff subjects {closed}"], capture_output=True, timeout=60)
    assert run.returncode == 0
    assert b"Traceback" not in run.stderr


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_output_in_any_encoding(kites, encoding):
    text = DETECTOR.replace("Kites in the wind", "Кайты 🪁 naïve ½")
    kites.write_text(text, encoding="utf-8")
    run = featurediff("subjects", "--detector", kites, env={"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"})
    assert run.returncode == 0
    assert b"kites: " in run.stdout
    assert run.stderr == b""


# ---------------------------------------------------------------- subjects


def test_subjects_shows_faults_and_goes_on(tmp_path):
    (tmp_path / "broken_plugin.py").write_text("import nowhere_to_be_found")
    info = tmp_path / "broken-3.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: broken\nVersion: 3.0\n")
    (info / "entry_points.txt").write_text("[featurediff.detectors]\nbroken = broken_plugin\n")
    run = featurediff("subjects", env={"PYTHONPATH": str(tmp_path)}, text=True)
    assert run.returncode == 0
    assert "broken: CAN'T BE USED" in run.stdout
    assert "No module named 'nowhere_to_be_found'" in " ".join(run.stdout.split())
    assert "from: broken 3.0 (broken_plugin)" in run.stdout
    assert "faces: Portraits" in run.stdout


def test_subjects_lists_a_file(kites):
    run = featurediff("subjects", "--detector", kites, text=True)
    assert "kites: Kites in the wind\n  judges: tail, cross\n  from: the file" in run.stdout


# ---------------------------------------------------------------- the output folder


def test_the_folder_is_made(tmp_path):
    assert prepare_folder(tmp_path / "a" / "b").is_dir()
    assert list((tmp_path / "a" / "b").iterdir()) == []


def test_a_file_in_the_way(tmp_path):
    (tmp_path / "a").write_text("x")
    for out in ("a", "a/b"):
        with pytest.raises(CallError, match="is a file, or lies inside one"):
            prepare_folder(tmp_path / out)


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_folder_that_is_read_only(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(CallError, match="can't be written to"):
        prepare_folder(tmp_path / "out")


def test_the_folder_is_refused_before_the_slow_part(stand_in, kites, tmp_path):
    (tmp_path / "a").write_text("x")
    assert cli.main(["check", "r.jpg", "d.jpg", "--detector", str(kites), "--out", str(tmp_path / "a")]) == 2
    assert stand_in.calls == []


def test_a_file_is_written_whole_or_not_at_all(tmp_path):
    target = tmp_path / "report.json"
    target.write_text("old")

    def fail_halfway(path: Path):
        path.write_text("ha")
        raise OSError(28, "No space left on device")

    with pytest.raises(FeaturediffError, match="No space left on device"):
        write_atomically(target, fail_halfway)
    assert target.read_text() == "old"
    write_atomically(target, lambda path: path.write_text("new"))
    assert target.read_text() == "new"
    assert list(tmp_path.iterdir()) == [target]


def test_closed_or_replaced_streams_do_no_harm(monkeypatch):
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert cli.main(["--version"]) == 0


def test_every_option_is_explained():
    parser = cli.build_parser()
    (commands,) = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    for name, command in commands.choices.items():
        for action in command._actions:
            assert action.help, f"{name} {action.dest} has no help"
