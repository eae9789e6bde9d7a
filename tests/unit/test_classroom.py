"""A class: numbers that give nobody away, what is done already, what is shared and what is private."""

from __future__ import annotations

import hashlib
import json
import os
import stat

import pytest
from habits_kit import HOLES, report

from featurediff import cli
from featurediff.classroom import roster, sheets, summary
from featurediff.classroom.run import Class, workers_for
from featurediff.classroom.sheets import COMPARED, FAILED, REFUSED, Outcome
from featurediff.errors import CallError, CompareError
from featurediff.settings import Settings, SheetSettings

NAMES = ("adams.jpg", "baker.jpg", "clark.jpg", "davis.jpg")


@pytest.fixture
def folder(tmp_path):
    """Four pictures, a text, a hidden file, a folder; the reference among them."""
    path = tmp_path / "sheets"
    path.mkdir()
    for name in NAMES:
        (path / name).write_bytes(b"picture of " + name.encode())
    (path / "notes.txt").write_text("x")
    (path / ".hidden.jpg").write_text("x")
    (path / "old.jpg").mkdir()
    (path / "photo.jpg").write_bytes(b"reference")
    return path


def numbered(folder, out, reference="photo.jpg"):
    out.mkdir(exist_ok=True)
    return roster.numbered(out, roster.pictures_in(folder, folder / reference))


def numbers(entries):
    return {each.picture.name: each.number for each in entries}


# ---------------------------------------------------------------- numbers and names


def test_only_pictures_are_sheets(folder, tmp_path):
    assert sorted(numbers(numbered(folder, tmp_path / "out"))) == list(NAMES)


def test_a_copy_of_the_reference_is_no_sheet(folder, tmp_path):
    (folder / "again.jpg").write_bytes(b"reference")
    found = roster.pictures_in(folder, folder / "photo.jpg")
    (tmp_path / "out").mkdir()
    entries = roster.numbered(tmp_path / "out", found, roster.content_of(folder / "photo.jpg"))
    assert "again.jpg" not in numbers(entries)


def test_numbers_follow_the_contents_and_not_the_alphabet(folder, tmp_path):
    found = numbers(numbered(folder, tmp_path / "out"))
    by_content = sorted(NAMES, key=lambda name: hashlib.sha256((folder / name).read_bytes()).hexdigest())
    assert [found[name] for name in by_content] == [1, 2, 3, 4]
    assert by_content != list(NAMES), "these contents would not tell the two orders apart"


def test_numbers_stay_from_run_to_run(folder, tmp_path):
    out = tmp_path / "out"
    before = numbers(numbered(folder, out))
    (folder / "adams.jpg").rename(folder / "zuse.jpg")  # the same picture by another name
    (folder / "baker.jpg").write_bytes(b"photographed again")
    (folder / "clark.jpg").unlink()
    (folder / "evans.jpg").write_bytes(b"new")
    after = numbers(numbered(folder, out))
    assert after == {
        "zuse.jpg": before["adams.jpg"],
        "baker.jpg": before["baker.jpg"],
        "davis.jpg": before["davis.jpg"],
        "evans.jpg": 5,
    }
    (folder / "clark.jpg").write_bytes(b"picture of clark.jpg")  # back again: nobody has taken its number
    assert numbers(numbered(folder, out))["clark.jpg"] == before["clark.jpg"]


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX systems")
def test_the_private_folder_is_the_owners(folder, tmp_path):
    numbered(folder, tmp_path / "out")
    assert stat.S_IMODE((tmp_path / "out" / "private").stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": "featurediff-class-names", "version": 9, "sheets": []}', '{"sheets": 1}']
)
def test_a_damaged_list_of_names_is_told(folder, tmp_path, text):
    numbered(folder, tmp_path / "out")
    (tmp_path / "out" / "private" / "names.json").write_text(text)
    with pytest.raises(CompareError, match="is damaged"):
        numbered(folder, tmp_path / "out")


def test_an_empty_folder(tmp_path):
    (tmp_path / "none").mkdir()
    with pytest.raises(CallError, match="There are no pictures"):
        roster.pictures_in(tmp_path / "none", tmp_path / "photo.jpg")


# ---------------------------------------------------------------- what is done


def put(out, number, made, key="k"):
    folder = sheets.begin(out, number)
    (folder / "report.json").write_text(json.dumps(made))
    sheets.finish(out, Outcome(number, COMPARED), key)


def test_a_sheet_is_done_only_with_its_very_key(tmp_path):
    put(tmp_path, 1, report())
    assert sheets.done(tmp_path, 1, "k").what == COMPARED
    assert sheets.done(tmp_path, 1, "another") is None
    assert sheets.done(tmp_path, 2, "k") is None


def test_the_key_holds_all_that_a_result_depends_on():
    keys = {
        sheets.key_of(content, reference, settings, detector)
        for content in "ab"
        for reference in "ab"
        for settings in (Settings(), Settings(sheet=SheetSettings("A4")), Settings(detector={"face": 2}))
        for detector in ("", "d")
    }
    assert len(keys) == 24


def test_refused_is_done_and_failed_is_tried_again(tmp_path):
    for number, what in ((1, REFUSED), (2, FAILED)):
        sheets.begin(tmp_path, number)
        sheets.finish(tmp_path, Outcome(number, what, "why", "remedy"), "k")
    assert sheets.done(tmp_path, 1, "k") == Outcome(1, REFUSED, "why", "remedy")
    assert sheets.done(tmp_path, 2, "k") is None


def test_a_report_that_was_lost_or_spoilt_is_made_again(tmp_path):
    put(tmp_path, 1, report())
    (tmp_path / "sheet-001" / "report.json").write_text('{"schema": 1}')
    assert sheets.done(tmp_path, 1, "k") is None
    put(tmp_path, 1, report())
    (tmp_path / "sheet-001" / "report.json").unlink()
    assert sheets.done(tmp_path, 1, "k") is None


def test_what_a_killed_run_left_is_cleared(tmp_path):
    put(tmp_path, 1, report())
    (tmp_path / "sheet-001" / ".report-99.json").write_text("half")
    (tmp_path / "sheet-001" / "mine.txt").write_text("keep")
    assert [path.name for path in sheets.begin(tmp_path, 1).iterdir()] == ["mine.txt"]


def test_workers():
    assert workers_for(1, None) == 1
    assert workers_for(40, 3) == 3
    assert workers_for(2, 8) == 2
    assert 1 <= workers_for(40, None) <= (os.cpu_count() or 1)
    assert workers_for(0, None) == 1


# ---------------------------------------------------------------- what is told


@pytest.fixture
def twelve(tmp_path):
    """(folder, Class) of twelve sheets, eight with the holes high, and one that was refused."""
    entries = []
    outcomes = {}
    for k in range(12):
        put(tmp_path, k + 1, report(dict.fromkeys(HOLES, (0.0, -3.0)) if k < 8 else None, seed=k))
        entries.append(roster.Entry(k + 1, tmp_path / f"pupil {k}.jpg", "x"))
        outcomes[k + 1] = Outcome(k + 1, COMPARED)
    entries.append(roster.Entry(13, tmp_path / "blurred.jpg", "x"))
    outcomes[13] = Outcome(13, REFUSED, "The picture is blurred.", "Take it again.")
    return tmp_path, Class(tuple(entries), outcomes, 13)


def test_eight_of_twelve(twelve):
    out, found = twelve
    told = summary.summary_of(out, found, "masks")
    text = summary.text(told)
    assert "8 of 12 drew the holes high. By 3.1 % (4.9 mm) on average." in text  # 3 % but for the noise of this seed
    assert text.startswith("masks: 13 sheets of one reference, 12 compared.")
    assert text.count("1 to fix") == 12
    data = json.loads(json.dumps(summary.data(told), allow_nan=False))
    (shared,) = data["shared"]
    assert (shared["count"], shared["judged"], shared["words"]) == (8, 12, "the holes high")
    assert [each["number"] for each in shared["sheets"] if each["counts"]] == list(range(1, 9))
    assert summary.picture(told).startswith(b"\x89PNG")


def test_no_name_is_shared(twelve):
    out, found = twelve
    told = summary.summary_of(out, found, "masks")
    roster_text = [summary.text(told), json.dumps(summary.data(told)), str(summary.picture(told))]
    assert not any("pupil" in text or "blurred" in text for text in roster_text)


def test_a_class_that_shares_nothing(tmp_path):
    for k in range(4):
        put(tmp_path, k + 1, report(seed=k))
    entries = tuple(roster.Entry(k + 1, tmp_path / "x.jpg", "x") for k in range(4))
    found = Class(entries, {k + 1: Outcome(k + 1, COMPARED) for k in range(4)}, 4)
    assert summary.NOTHING in summary.text(summary.summary_of(tmp_path, found, "masks"))


def test_calls_that_are_wrong(folder, tmp_path, capsys):
    photo = str(folder / "photo.jpg")
    for more, said in (
        ([], "needs a folder for its reports"),
        (["--out", str(tmp_path / "out"), "--piece", str(tmp_path / "p")], "takes one photograph at a time"),
        (["--out", str(folder / "adams.jpg")], "is a file"),
        (["--workers", "0", "--out", "x"], "no whole number"),
    ):
        assert cli.main(["check", photo, str(folder), "--subject", "faces", *more]) == 2
        assert said in capsys.readouterr().err
    assert cli.main(["check", photo, str(folder / "adams.jpg"), "--subject", "faces", "--workers", "2"]) == 2
    assert "--workers is for a folder of sheets." in capsys.readouterr().err
    assert cli.main(["check", "nowhere.jpg", str(folder), "--subject", "faces", "--out", str(tmp_path / "out")]) == 3
    assert "nowhere.jpg: there is no such file." in capsys.readouterr().err
