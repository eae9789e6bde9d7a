"""Whole runs by marks alone: a check, the rounds of a piece, a plan, wrong calls, and the marks page ended by Ctrl-C."""

import json
import os
import re
import signal
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

import featurediff
from featurediff import cli
from featurediff.demo import get_demo

DEMO = get_demo("toy-boat")


def run(capsys, *arguments):
    status = cli.main([str(each) for each in arguments])
    said = capsys.readouterr()
    return status, re.sub(r"\s+", " ", said.out), re.sub(r"\s+", " ", said.err)


@pytest.fixture(scope="module")
def piece(tmp_path_factory):
    """A piece begun by marks: its folder, and what its first round printed as JSON."""
    folder = tmp_path_factory.mktemp("pieces") / "boat"
    made = subprocess.run(
        [sys.executable, "-m", "featurediff", "check", DEMO.reference, DEMO.drawing, "--marks", DEMO.marks, "--sheet", "A4",
         "--piece", folder, "--format", "json"], capture_output=True, text=True,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    return folder, json.loads(made.stdout)


def test_a_piece_keeps_the_marks_and_its_next_round_needs_nothing_else(piece, capsys, tmp_path):
    folder, first = piece
    assert first["subject"] == "toy boat"
    kept = json.loads((folder / "piece.json").read_text(encoding="ascii"))
    assert [mark["name"] for mark in kept["settings"]["detector"]["marks"]["marks"]][:2] == ["bow", "rail"]
    assert kept["left_out"] == []
    assert str(DEMO.marks.parent) not in (folder / "piece.json").read_text(encoding="ascii")
    status, printed, said = run(capsys, "check", "--piece", folder, DEMO.drawing)
    assert status == 0, said
    assert "Round 2" in printed and "porthole on the right" in printed


def test_marks_cannot_be_changed_within_a_piece(piece, capsys):
    status, _, said = run(capsys, "check", "--piece", piece[0], DEMO.drawing, "--marks", DEMO.marks)
    assert status == 2 and "--marks can't be changed within a piece" in said


def test_a_smaller_copy_of_the_reference_carries_the_same_marks(tmp_path):
    with Image.open(DEMO.reference) as picture:
        picture.resize((900, 1050), Image.Resampling.LANCZOS).save(tmp_path / "small.png")
    report = featurediff.check(tmp_path / "small.png", DEMO.drawing, marks=DEMO.marks, sheet="A4")
    moved = {f.name: f for f in report.features}["porthole on the right"]
    assert moved.off_mm == pytest.approx(DEMO.moves[1]["off_mm"], abs=0.6)


def test_another_cut_of_the_reference_is_refused(tmp_path, capsys):
    with Image.open(DEMO.reference) as picture:
        picture.crop((0, 0, 1200, 1000)).save(tmp_path / "cut.png")
    status, _, said = run(capsys, "check", tmp_path / "cut.png", DEMO.drawing, "--marks", DEMO.marks, "--sheet", "A4")
    assert status == 3 and "were made on a picture of 1200 x 1400 px; cut.png has another shape: 1200 x 1000 px" in said


@pytest.mark.parametrize("option", [("--subject", "faces"), ("--detector", "x.py"), ("--object", "jug:1,2,3,4")])
def test_marks_and_another_subject_at_once(option, capsys):
    status, _, said = run(capsys, "check", "a.jpg", "b.jpg", "--marks", "x.yaml", *option)
    assert status == 2 and f"--marks and {option[0]} are given at once" in said


def test_a_bad_marks_file_is_told_with_its_place(tmp_path, capsys):
    path = tmp_path / "boat.yaml"
    path.write_text(DEMO.marks.read_text(encoding="utf-8").replace("name: bow", "nmae: bow"), encoding="utf-8")
    status, _, said = run(capsys, "check", DEMO.reference, DEMO.drawing, "--marks", path, "--sheet", "A4")
    assert status == 2 and "unknown name 'nmae'; did you mean 'name'?" in said
    assert re.search(rf"{re.escape(str(path))}:\d+:\d+:", said)


def test_marks_named_like_an_installed_subject_are_refused(tmp_path, capsys):
    path = tmp_path / "boat.yaml"
    path.write_text(DEMO.marks.read_text(encoding="utf-8").replace("subject: toy boat", "subject: faces"), encoding="utf-8")
    status, _, said = run(capsys, "check", DEMO.reference, DEMO.drawing, "--marks", path, "--sheet", "A4")
    assert status == 2 and "'faces' is the name of an installed detector" in said


def test_a_plan_by_marks(capsys):
    status, printed, said = run(capsys, "plan", DEMO.reference, "--marks", DEMO.marks, "--sheet", "A4", "--height", "170mm")
    assert status == 0, said
    assert "toy boat" in printed and re.search(r"\d+ mm", printed)


# ---------------------------------------------------------------- the command that opens the page


def started(tmp_path, *more):
    Image.fromarray(np.full((300, 400, 3), 200, np.uint8)).save(tmp_path / "kettle.png")
    return subprocess.Popen(
        [sys.executable, "-m", "featurediff", "mark", tmp_path / "kettle.png", "--no-browser", *more],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.mark.skipif(os.name != "posix", reason="sends Ctrl-C as POSIX systems do")
def test_ctrl_c_ends_it_and_saves_nothing(tmp_path):
    process = started(tmp_path)
    first, second = process.stdout.readline(), process.stdout.readline()
    assert "kettle.marks.yaml" in first
    assert re.fullmatch(r"The page: http://127\.0\.0\.1:\d+/[\w-]{32,}/\n", second)
    process.stdout.readline()
    process.send_signal(signal.SIGINT)
    printed, said = process.communicate(timeout=10)
    assert process.returncode == 130 and "nothing was saved" in printed and said == ""
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kettle.png"]


@pytest.mark.parametrize(("out", "told"), [
    ("kettle.txt", "does not end in .yaml"), ("no/such/folder/kettle.yaml", "can't be written"), ("bad.yaml", "'subject'"),
])  # fmt: skip
def test_what_cannot_be_continued_is_told_before_the_page_opens(tmp_path, capsys, out, told):
    Image.fromarray(np.full((300, 400, 3), 200, np.uint8)).save(tmp_path / "kettle.png")
    (tmp_path / "bad.yaml").write_text("featurediff-marks: 1\n", encoding="utf-8")
    status, _, said = run(capsys, "mark", tmp_path / "kettle.png", "--no-browser", "--out", tmp_path / out)
    assert status == 2 and told in said


def test_a_reference_that_is_none(tmp_path, capsys):
    (tmp_path / "a.jpg").write_bytes(b"not a picture")
    assert run(capsys, "mark", tmp_path / "a.jpg", "--no-browser")[0] == 3
    assert run(capsys, "mark", tmp_path / "b.jpg", "--no-browser")[0] == 3
