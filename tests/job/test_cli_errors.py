"""Bad input from the command line: status 3, one clear sentence with the file's name and a remedy, never a traceback."""

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from PIL import Image

from featurediff.demo import get_demo

DEMO = get_demo("faces")


def noise(path, size=(1200, 1500)):
    pixels = np.random.default_rng(5).normal(150, 12, (size[1], size[0], 3)).clip(0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(path, quality=85)


def make_bad_files(folder):
    (folder / "folder.jpg").mkdir()
    (folder / "empty.jpg").touch()
    (folder / "text.jpg").write_text("Dear aunt,\nthe picture is in the other letter.\n" * 200)
    (folder / "cut.jpg").write_bytes(DEMO.drawing.read_bytes()[:40_000])
    (folder / "letter.pdf").write_bytes(b"%PDF-1.4\n" + bytes(5000))
    noise(folder / "noise.jpg")
    Image.new("RGB", (3, 3), "white").save(folder / "tiny.png")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("bad")
    make_bad_files(path)
    return path


def check(folder, reference, drawing, *options):
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "featurediff",
            "check",
            str(reference),
            str(drawing),
            "--subject",
            "faces",
            "--sheet",
            "A4",
            *options,
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
    )


BAD = ["missing.jpg", "folder.jpg", "empty.jpg", "text.jpg", "cut.jpg", "letter.pdf", "tiny.png", "noise.jpg"]


@pytest.mark.parametrize(
    ("name", "role"),
    # A folder of drawings is a class, and not bad.
    [(name, role) for name in BAD for role in ("reference", "drawing") if (name, role) != ("folder.jpg", "drawing")],
)
def test_bad_pictures(folder, name, role):
    pair = (name, DEMO.drawing) if role == "reference" else (DEMO.reference, name)
    run = check(folder, *pair)
    assert run.returncode == 3, run.stderr
    assert run.stdout == ""
    assert "Traceback" not in run.stderr
    lines = run.stderr.strip().splitlines()
    assert lines[0].startswith("featurediff: ")
    assert name in lines[0] or f"The {role} " in lines[0], "which of the two it is"
    assert len(lines) == 2, "what is wrong, and what to do"


def test_a_folder_of_drawings_is_a_class_and_wants_a_place_for_its_reports(folder):
    run = check(folder, DEMO.reference, "folder.jpg")
    assert (run.returncode, run.stdout) == (2, "")
    assert "--out" in run.stderr and "Traceback" not in run.stderr


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_picture_that_may_not_be_read(folder):
    path = folder / "locked.jpg"
    path.write_bytes(DEMO.drawing.read_bytes())
    path.chmod(0)
    run = check(folder, DEMO.reference, path.name)
    assert run.returncode == 3
    assert "locked.jpg" in run.stderr


def test_a_model_file_that_was_changed(folder):
    (folder / "changed.task").write_bytes(b"PK" + bytes(5000))
    (folder / "changed.yaml").write_text("detector:\n  landmark_model: changed.task\n")
    run = check(folder, DEMO.reference, DEMO.drawing, "--config", "changed.yaml", "--out", "not-begun")
    assert run.returncode == 2 and run.stdout == ""
    assert "'changed.task' is not the file" in run.stderr and "checksum" in run.stderr and "pip install" in run.stderr
    assert not list((folder / "not-begun").glob("*"))


def test_names_with_odd_letters(folder):
    run = check(folder, "größe 絵.jpg", DEMO.drawing)
    assert run.returncode == 3
    assert "Traceback" not in run.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="other signals there")
@pytest.mark.parametrize("seconds", [0.0, 0.1, 0.3, 0.6])  # into the run: modules load, pictures are read, features are found
def test_an_interrupt_is_no_traceback(folder, seconds):
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "featurediff", "demo", "faces", "--out", "out"],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell that runs the tests in the background makes its children ignore interrupts.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout.readline(), "the run has begun"
    time.sleep(seconds)
    process.send_signal(signal.SIGINT)
    _, complaint = process.communicate(timeout=60)
    assert process.returncode == 130
    assert complaint == "Interrupted.\n"
    assert not list((folder / "out").glob("*")), "no half-written file"


THROUGH_TEXT = """
import os, signal, sys
from featurediff.cli.interrupt import orderly_interrupt

signal.signal(signal.SIGINT, signal.default_int_handler)
with orderly_interrupt():
    try:
        exec("os.kill(os.getpid(), signal.SIGINT)\\nwhile True: pass")
    except KeyboardInterrupt:
        sys.exit(130)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="other signals there")
def test_an_interrupt_in_code_made_from_text_is_like_any_other(tmp_path):
    (tmp_path / "through_text.py").write_text(THROUGH_TEXT)
    run = subprocess.run([sys.executable, "-m", "through_text"], cwd=tmp_path, timeout=60)
    assert run.returncode == 130
