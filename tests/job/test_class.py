"""A class of sheets, whole runs: one bad picture, a second run, Ctrl-C, two at once, a killed run; acceptance scenario 15.

The sheets show invented buttons, found by the detector of DEVELOPERS.md, so that a sheet takes some tenths of a second. Faces
in whole pictures: tests/benchmark/class_run.py.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from located_kit import both, draw, named, portrait, shift, within
from PIL import Image

from featurediff.blocks import blocks_of
from featurediff.classroom import roster, sheets, summary
from featurediff.classroom.run import Class
from featurediff.classroom.sheets import COMPARED, Outcome
from featurediff.corrections import refine_lineup
from featurediff.deviations import deviations, feature_results
from featurediff.records import Report

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
CENTRES = np.array([[300, 260], [640, 330], [230, 560], [520, 610], [760, 700], [360, 900], [640, 960]], float)
RADII = (60, 48, 70, 55, 62, 50, 66)
MM_PER_PX, PX_PER_MM = 0.125, 3
SHEET = (148, 210)  # A5: small pictures are quickly compared
POSIX = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX systems")


# ---------------------------------------------------------------- scenario 15, on located points


def test_15_twelve_sheets_eight_with_high_eyes(tmp_path):
    """A class of 12 sheets of one reference: 12 lists and "8 of 12 drew the eyes high". (The project's own demand, no source.)"""
    eyes = named(*(f"{what} on the {side}" for what in ("eye", "iris") for side in ("left", "right")))
    entries, outcomes = [], {}
    for k in range(12):
        # Eight draw the eyes 3 to 4 mm high, some of them and of the others err elsewhere too.
        changes = [shift(eyes, 0, -3 - k / 8)] if k < 8 else []
        if k % 3 == 0:
            changes.append(shift(within("head/face/features/mouth"), 2.5 if k % 2 else -2.5, 0))
        report = report_of(draw(portrait(), both(*changes) if changes else None, seed=500 + k))
        folder = sheets.begin(tmp_path, k + 1)
        (folder / "report.json").write_text(json.dumps(report.to_dict()))
        sheets.finish(tmp_path, Outcome(k + 1, COMPARED), "k")
        entries.append(roster.Entry(k + 1, tmp_path / f"pupil {k}.jpg", "x"))
        outcomes[k + 1] = Outcome(k + 1, COMPARED)
        # Each sheet's own list says so too.
        assert any("ower" in each.text and "eyes" in each.text for each in report.corrections) == (k < 8)
    told = summary.summary_of(tmp_path, Class(tuple(entries), outcomes, 12), "faces")
    assert len(told.read) == 12
    assert [f"{each.count} of {each.judged} {each.label} {each.measure}" for each in told.shared] == ["8 of 12 eyes down"]
    assert "8 of 12 drew the eyes high." in summary.text(told)


def report_of(drawing) -> Report:
    lineup = refine_lineup(drawing.subject, drawing.located, drawing.lineup, drawing.sheet, drawing.settings)
    from dataclasses import replace

    drawing = replace(drawing, lineup=lineup)
    now, later, good = drawing.corrections()
    places = (drawing.subject, drawing.located, lineup, drawing.sheet)
    results, measured = feature_results(*places), deviations(*places, drawing.settings)
    size = drawing.subject.size_px * lineup.scale
    blocks = blocks_of(drawing.subject)
    return Report(
        "faces", "picture", drawing.sheet, size, "head height", lineup, results, measured, now, later, good, (), (), blocks=blocks
    )


# ---------------------------------------------------------------- whole runs


@pytest.fixture(scope="module")
def material(tmp_path_factory):
    """A folder with the detector, the reference, and six sheets, four of them with button D 4 mm too far right."""
    folder = tmp_path_factory.mktemp("class")
    blocks = re.findall(r"```python\n(.*?)```", DEVELOPERS.read_text(encoding="utf-8"), re.DOTALL)
    code = next(block for block in blocks if "@hookimpl" in block)
    (folder / "buttons.py").write_text(code, encoding="utf-8")
    picture = np.full((1200, 1000, 3), 235, np.uint8)
    for (x, y), radius in zip(CENTRES.astype(int), RADII, strict=True):
        cv2.circle(picture, (int(x), int(y)), radius, (60, 70, 90), -1, cv2.LINE_AA)
    Image.fromarray(picture).save(folder / "photo.png")
    (folder / "sheets").mkdir()
    for k in range(6):
        sheet = np.full((SHEET[1] * PX_PER_MM, SHEET[0] * PX_PER_MM), 240, np.uint8)
        places = CENTRES * MM_PER_PX + (10.0 + k, 30.0)
        places[3, 0] += 4.0 if k < 4 else 0.0
        for (x, y), radius in zip(places * PX_PER_MM * 16, RADII, strict=True):
            cv2.circle(sheet, (round(x), round(y)), round(radius * MM_PER_PX * PX_PER_MM * 16), 90, 2, cv2.LINE_AA, 4)
        Image.fromarray(sheet).save(folder / "sheets" / f"pupil-{'abcdef'[k]}.png")
    return folder


@pytest.fixture
def place(material, tmp_path):
    """A copy of the material of its own."""
    shutil.copytree(material, tmp_path / "class")
    return tmp_path / "class"


def command(place, *more):
    options = ["--detector", "buttons.py", "--sheet", "A5", "--scan", "--out", "out", *more]
    return [sys.executable, "-m", "featurediff", "check", "photo.png", "sheets", *options]


def run(place, *more):
    return subprocess.run(command(place, *more), cwd=place, capture_output=True, text=True, timeout=120)


def test_a_class_with_bad_pictures_and_again(place):
    (place / "sheets" / "broken.jpg").write_text("no picture")
    (place / "sheets" / "scan.pdf").write_bytes(b"%PDF-1.7")
    done = run(place, "--verbose")
    assert done.returncode == 0, done.stderr
    assert "4 of 6 drew the button D too far right." in done.stdout
    assert "buttons: 8 sheets of one reference, 6 compared." in done.stdout
    assert "(broken.jpg): The picture is not a JPEG" in done.stderr and "(scan.pdf): The picture is a PDF" in done.stderr
    assert "8 of 8 sheets compared in this run" in done.stderr
    for name in ("class.txt", "class.json", "class.png"):
        content = (place / "out" / name).read_bytes()
        assert not any(word in content for word in (b"pupil", b"broken", str(place).encode()))
    names = (place / "out" / "private" / "names.txt").read_text()
    assert all(f"pupil-{letter}.png  compared" in names for letter in "abcdef")
    reports = sorted((place / "out").glob("sheet-*/report.json"))
    assert len(reports) == 6 and all((path.parent / "report.png").exists() for path in reports)
    assert not any(b"pupil" in path.read_bytes() for path in (place / "out").glob("sheet-*/*"))

    # Nothing to do; then one photographed again, one more, one bad one taken out.
    stamps = {path: path.stat().st_mtime_ns for path in reports}
    again = run(place, "--verbose")
    assert "0 of 8 sheets compared in this run" in again.stderr
    assert {path: path.stat().st_mtime_ns for path in reports} == stamps
    shutil.copy(place / "sheets" / "pupil-a.png", place / "sheets" / "pupil-f.png")
    shutil.copy(place / "sheets" / "pupil-b.png", place / "sheets" / "pupil-g.png")
    (place / "sheets" / "broken.jpg").unlink()
    third = run(place, "--verbose")
    assert "2 of 8 sheets compared in this run" in third.stderr
    assert "6 of 7 drew the button D too far right." in third.stdout


def test_a_reference_that_cannot_be_used_ends_the_run_at_once(place):
    Image.new("RGB", (600, 800), (235, 235, 235)).save(place / "photo.png")
    done = run(place)
    assert done.returncode == 3
    assert "fewer than three buttons on photo.png" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (place / "out" / "class.txt").exists()


def test_none_that_can_be_compared(place):
    for path in (place / "sheets").iterdir():
        path.write_bytes(b"no picture")
    done = run(place)
    assert done.returncode == 3
    assert done.stderr.count("Not compared") == 6 and "None of these sheets could be compared." in done.stderr


def started(place, *more):
    """A run of its own process group that has finished at least one sheet."""
    process = subprocess.Popen(
        command(place, *more), cwd=place, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    until = time.monotonic() + 60
    while not list((place / "out").glob("sheet-*/done.json")) and time.monotonic() < until:
        time.sleep(0.02)
    return process


@POSIX
def test_ctrl_c_keeps_what_is_done(place):
    process = started(place, "--workers", "2")
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to the main process and its workers
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130, err
    assert err == "Stopped. What is done is kept; the same command goes on with the rest.\nInterrupted.\n"
    done = len(list((place / "out").glob("sheet-*/done.json")))
    assert 1 <= done < 6
    assert not list((place / "out").rglob(".*")), "no half-written file is left"
    rest = run(place, "--verbose")
    assert rest.returncode == 0
    assert f"{6 - done} of 6 sheets compared in this run" in rest.stderr


@POSIX
def test_ctrl_c_at_the_very_start_is_quiet_too(place):
    process = subprocess.Popen(
        command(place, "--workers", "2"),
        cwd=place,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until = time.monotonic() + 60
    while not (place / "out").exists() and time.monotonic() < until:
        time.sleep(0.02)
    time.sleep(0.3)  # about when the workers begin
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in err


DEADLY = """
    def guess(self, drawing, subject):
        import os

        if drawing.name == "pupil-c.png":
            os._exit(9)  # as the system ends a process for lack of memory
        return ()

    def find("""


@POSIX
def test_a_picture_that_ends_its_process_spoils_nothing_and_the_bar_is_shown_on_a_terminal(place):
    import fcntl
    import pty
    import struct
    import termios

    code = (place / "buttons.py").read_text()
    (place / "buttons.py").write_text(code.replace("\n    def find(", DEADLY, 1))
    terminal, other = pty.openpty()
    fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    process = subprocess.Popen(command(place, "--workers", "2"), cwd=place, stdout=subprocess.PIPE, stderr=other, text=True)
    os.close(other)
    shown = b""
    try:
        while piece := os.read(terminal, 4096):
            shown += piece
    except OSError:  # the other end is closed
        pass
    out, _ = process.communicate(timeout=60)
    os.close(terminal)
    assert process.returncode == 0
    assert b"Comparing" in shown and b"6/6" in shown
    assert b"(pupil-c.png): The comparison ended without a word" in shown
    assert "buttons: 6 sheets of one reference, 5 compared." in out
    assert "3 of 5 drew the button D too far right." in out


@POSIX
def test_two_at_once_do_not_harm_each_other(place):
    process = started(place, "--workers", "1")
    second = run(place)
    assert second.returncode == 3
    assert "Another run is at work in 'out'" in second.stderr
    process.communicate(timeout=120)
    assert process.returncode == 0
    assert "0 of 6 sheets compared in this run" in run(place, "--verbose").stderr


@POSIX
def test_a_killed_run_leaves_no_workers_and_no_damage(place):
    process = started(place, "--workers", "2")
    os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=30)  # the pipes are closed only when the last worker has ended
    done = len(list((place / "out").glob("sheet-*/done.json")))
    rest = run(place, "--verbose")
    assert rest.returncode == 0, rest.stderr
    assert int(re.search(r"(\d+) of 6 sheets compared", rest.stderr)[1]) <= 6 - done
    assert "4 of 6 drew the button D too far right." in rest.stdout
