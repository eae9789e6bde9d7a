"""The folder of a piece: what is written, what is refused, what a full disk or a hostile file can do."""

import contextlib
import errno
import json
import multiprocessing
import os
import random
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from piece_kit import report

from featurediff.errors import CallError, FeaturediffError, PieceError
from featurediff.piece import decode, encode, files, keep, store
from featurediff.piece import lock as locks
from featurediff.piece.follow import follow
from featurediff.piece.pictures import squared_jpeg
from featurediff.settings import LineUpSettings, Settings, SheetSettings, ToleranceClass, Tolerances

SETTINGS = Settings(
    subject="jugs",
    sheet=SheetSettings(size="A4"),
    lineup=LineUpSettings("rim,foot"),
    tolerances=Tolerances(A=ToleranceClass(0.5, 1)),
    importance={"rim": 0.5},
    detector={"wind": 3},
)
OFF = {"rim": (0, 3), "spout": (3.5, 0), "foot": (3, 3)}
DRAWING = squared_jpeg(np.full((60, 40, 3), 200, np.uint8))
REFERENCE = b"a picture"
POSIX = pytest.mark.skipif(os.name != "posix", reason="names, links and locks of POSIX systems")


def add(folder, off=None, settings=SETTINGS, seed=None):
    """One round more; begins the piece when there is none."""
    store.prepare(folder)
    begin = None if store.exists(folder) and store.round_numbers(folder) else (settings, "reference.png", REFERENCE)

    def judge(piece):
        record, _ = follow(report(OFF if off is None else off, seed=seed), piece.settings, piece.rounds, piece.kept)
        return replace(record, px_per_unit=0.2)

    return store.add_round(folder, DRAWING, judge, begin)


@pytest.fixture
def folder(tmp_path):
    """A piece of two rounds with one item kept."""
    path = tmp_path / "jug"
    add(path)
    add(path, {"rim": (0, -1.5), "foot": (3, 3)})
    store.change_kept(path, lambda piece: keep.keep(piece, "foot")[0])
    return path


def content(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


# ---------------------------------------------------------------- what is written and read


def test_what_is_written_is_read(folder):
    piece = store.load(folder)
    assert piece.settings == SETTINGS
    assert [each.number for each in piece.rounds] == [1, 2]
    assert sorted(change.outcome for change in piece.rounds[1].changes) == ["done", "too far", "unchanged"]
    assert piece.kept[0].text.startswith("Move the foot")
    # Written again it is the same, so nothing is lost on the way.
    for record in piece.rounds:
        again = encode.to_bytes(encode.round_document(record))
        assert again == (folder / store.round_name(record.number) / "round.json").read_bytes()


def test_the_folder_holds_these_files_and_no_other(folder):
    assert set(content(folder)) == {
        "lock",
        "piece.json",
        "kept.json",
        "reference.png",
        "round-0001/round.json",
        "round-0001/drawing.jpg",
        "round-0002/round.json",
        "round-0002/drawing.jpg",
    }


def test_it_is_plain_json_without_paths(folder, tmp_path):
    for name, data in content(folder).items():
        if name.endswith(".json"):
            text = data.decode("ascii")
            document = json.loads(text)
            assert document["format"].startswith("featurediff-")
            assert document["version"] == encode.VERSION
            for secret in (str(tmp_path), str(Path.home()), os.environ.get("USER") or "no user", "/tmp"):
                assert secret not in text


def test_settings_that_name_files_are_not_kept(tmp_path):
    settings = replace(SETTINGS, detector={"face": 2, "model": "/home/someone/a.task", "deep": {"list": ["~/b"]}})
    add(tmp_path / "p", settings=settings)
    piece = store.load(tmp_path / "p")
    assert piece.settings.detector == {"face": 2}
    assert piece.left_out == ("deep", "model")
    assert b"someone" not in (tmp_path / "p" / "piece.json").read_bytes()


def test_no_piece_here(tmp_path):
    for path in (tmp_path, tmp_path / "missing"):
        with pytest.raises(CallError, match="There is no piece"):
            store.load(path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(CallError, match="is a file"):
        store.prepare(tmp_path / "file" / "p")
    with pytest.raises(CallError, match="There is no piece"):
        store.load(tmp_path / "file")


def test_a_folder_of_something_else_is_left_alone(tmp_path):
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(CallError, match="holds other files"):
        add(tmp_path)
    assert content(tmp_path) == {"holiday.jpg": b"x"}


def test_what_a_stopped_run_left_is_cleared_away(folder):
    ready = folder / ".round-4711-abcd"
    ready.mkdir()
    (ready / "drawing.jpg").write_bytes(b"half")
    (folder / ".new-4711-kept.json").write_bytes(b"half")
    add(folder)
    assert not [name for name in os.listdir(folder) if name.startswith(".")]
    assert len(store.load(folder).rounds) == 3


def test_a_round_taken_out_by_hand_leaves_the_others(folder):
    (folder / "round-0001").rename(folder.parent / "elsewhere")
    assert [each.number for each in store.load(folder).rounds] == [2]
    assert add(folder).number == 3


# ---------------------------------------------------------------- hostile folders


@POSIX
@pytest.mark.parametrize("name", ["piece.json", "kept.json", "reference.png", "round-0001", "round-0002/round.json"])
def test_symbolic_links_are_refused(folder, tmp_path, name):
    """Each part replaced by a link to the same thing outside: nothing is read through it, nothing is written through it."""
    outside = tmp_path / "outside"
    (folder / name).rename(outside)
    (folder / name).symlink_to(outside)
    before = outside.read_bytes() if outside.is_file() else content(outside)
    with pytest.raises(PieceError, match="links are not followed"):
        store.load(folder) if name != "reference.png" else store.reference_of(folder)
    if name != "reference.png":
        with pytest.raises(FeaturediffError):
            add(folder)
    assert (outside.read_bytes() if outside.is_file() else content(outside)) == before


@POSIX
def test_a_link_in_place_of_a_drawing_or_the_lock(folder, tmp_path):
    secret = tmp_path / "secret"
    secret.write_bytes(b"keep out")
    (folder / "round-0001" / "drawing.jpg").unlink()
    (folder / "round-0001" / "drawing.jpg").symlink_to(secret)
    with pytest.raises(PieceError, match="links are not followed"):
        store.drawing_of(folder, 1)
    (folder / "lock").unlink()
    (folder / "lock").symlink_to(tmp_path / "made by the link")
    with pytest.raises(PieceError, match="links are not followed"):
        add(folder)
    assert not (tmp_path / "made by the link").exists()
    assert secret.read_bytes() == b"keep out"


@POSIX
def test_a_leftover_name_that_is_a_link_is_not_followed(folder, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    (other / "drawing.jpg").write_bytes(b"mine")
    (folder / ".round-1-x").symlink_to(other)
    (folder / ".new-1-kept.json").symlink_to(other / "drawing.jpg")
    add(folder)
    assert content(other) == {"drawing.jpg": b"mine"}


@POSIX
def test_a_pipe_does_not_hang_the_run(folder):
    (folder / "kept.json").unlink()
    os.mkfifo(folder / "kept.json")
    with pytest.raises(PieceError, match="no plain file"):
        store.load(folder)


def test_too_large_a_file_is_refused(folder, monkeypatch):
    monkeypatch.setattr(files, "LARGEST_JSON", 1000)
    with pytest.raises(PieceError, match="larger than 1000 bytes"):
        store.load(folder)


def test_too_many_files(folder, monkeypatch):
    monkeypatch.setattr(store, "_MOST_NAMES", 3)
    with pytest.raises(PieceError, match="too many files"):
        store.load(folder)


JSON_FILES = ["piece.json", "kept.json", "round-0001/round.json", "round-0002/round.json"]


@pytest.mark.parametrize("name", JSON_FILES)
def test_random_bytes_never_crash(folder, name):
    rng = random.Random(name)
    path = folder / name
    whole = path.read_bytes()
    for k in range(150):
        if k % 3 == 0:
            data = rng.randbytes(rng.randrange(200))
        elif k % 3 == 1:
            data = whole[: rng.randrange(len(whole))]  # cut short
        else:
            data = bytearray(whole)
            for _ in range(rng.randrange(1, 30)):
                data[rng.randrange(len(data))] = rng.randrange(256)
            data = bytes(data)
        path.write_bytes(data)
        _loads_or_says_why(folder)


@pytest.mark.parametrize("name", JSON_FILES)
def test_wrong_types_never_crash(folder, name):
    """Every value of every document, in turn, replaced by things of another kind."""
    path = folder / name
    whole = json.loads(path.read_bytes())
    strange = [None, True, -1, 1e308, 10**30, "x" * 400, "\x1b[2J", "../../etc", [], {}, [[]], {"a": None}, [None] * 3]
    rng = random.Random(name)
    places = list(_places(whole))
    for place in places if len(places) < 400 else rng.sample(places, 400):
        document = json.loads(json.dumps(whole))
        _set(document, place, rng.choice(strange))
        path.write_text(json.dumps(document))
        _loads_or_says_why(folder)


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"a":' * 50_000, "1" * 5000, "NaN", '{"format": "featurediff-round", "version": 1}', ""]
)
def test_awkward_json(folder, text):
    (folder / "round-0002" / "round.json").write_text(text)
    with pytest.raises(PieceError) as caught:
        store.load(folder)
    assert "round-0002" in caught.value.what
    assert "round-0002" in caught.value.remedy


def test_control_characters_do_not_reach_the_terminal(folder):
    path = folder / "kept.json"
    document = json.loads(path.read_bytes())
    document["kept"][0]["text"] = "Move\x1b]0;owned\x07 the foot.\nRound 9"
    path.write_text(json.dumps(document))
    assert store.load(folder).kept[0].text == "Move?]0;owned? the foot.?Round 9"


def _loads_or_says_why(folder):
    try:
        piece = store.load(folder)
    except PieceError as error:
        assert error.remedy
        assert "\n" not in error.what
    else:
        # What passes is fit for use.
        follow(report(OFF), piece.settings, piece.rounds, piece.kept)
        encode.round_document(piece.rounds[-1])


def _places(value, at=()):
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, child in children:
        if at[:1] == ("report",):
            return  # told to nobody: it is kept for the artist's own use
        yield (*at, key)
        yield from _places(child, (*at, key))


def _set(document, place, value):
    for key in place[:-1]:
        document = document[key]
    document[place[-1]] = value


# ---------------------------------------------------------------- versions


@pytest.mark.parametrize("name", JSON_FILES)
def test_a_newer_format_is_refused(folder, name):
    path = folder / name
    document = json.loads(path.read_bytes())
    document["version"] = encode.VERSION + 1
    path.write_text(json.dumps(document))
    with pytest.raises(PieceError, match="newer featurediff") as caught:
        store.load(folder)
    assert caught.value.remedy == "Update featurediff."


def test_the_sample_of_version_1_stays_readable():
    """Files as version 1 wrote them; they must be read for as long as there is a featurediff."""
    sample = json.loads((Path(__file__).parent / "piece_version_1.json").read_text(encoding="ascii"))
    piece = decode.piece_of(_document(sample, "piece.json", encode.PIECE))
    kept = decode.kept_of(_document(sample, "kept.json", encode.KEPT))
    rounds = [decode.round_of(_document(sample, f"round-000{k}/round.json", encode.ROUND)) for k in (1, 2)]
    assert (piece.settings.subject, piece.settings.sheet.size) == ("jugs", "A4")
    assert [change.outcome for change in rounds[1].changes] == ["unchanged", "done", "too far"]
    assert kept[0].text == "Move the foot 4.2 mm."
    record, told = follow(report({"foot": (3, 3)}), piece.settings, rounds, kept)
    assert record.number == 3
    assert not told.corrections


def _document(sample, name, kind):
    return decode.document(json.dumps(sample[name]).encode(), kind, name)


def test_older_documents_are_brought_forward_step_by_step(folder, monkeypatch):
    """As if there were a version 3: rounds of version 1 and 2 are read, and the next round is written as 3."""

    def to_2(kind, document):
        return {**document, "scores": document.pop("items")} if kind == encode.ROUND else document

    def to_3(kind, document):
        return {**document, "items": document.pop("scores")} if kind == encode.ROUND else document

    before = content(folder)
    monkeypatch.setattr(encode, "VERSION", 3)
    monkeypatch.setattr(decode, "MIGRATIONS", {1: to_2, 2: to_3})
    assert len(store.load(folder).rounds) == 2
    add(folder)
    after = content(folder)
    assert {name: after[name] for name in before} == before
    assert json.loads(after["round-0003/round.json"])["version"] == 3
    monkeypatch.setattr(decode, "MIGRATIONS", {1: lambda kind, document: document["nonsense"], 2: to_3})
    with pytest.raises(PieceError, match="brought forward from format 1"):
        store.load(folder)


# ---------------------------------------------------------------- full disks, folders that can't be written


WRITES = ("open", "mkdir", "rename", "replace", "fsync")


@POSIX
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EDQUOT])
def test_a_full_disk_at_every_step_loses_no_earlier_round(folder, monkeypatch, code):
    before = content(folder)
    step = 0
    while True:
        with monkeypatch.context() as patched:
            countdown = _fail_at(patched, step, code)
            try:
                add(folder)
            except PieceError as error:
                assert ("no space" in error.what) == (code != errno.EIO)
            else:
                if countdown[0] > 0:
                    break  # every step was tried
        after = content(folder)
        assert {name: after.get(name) for name in before} == before
        assert len(store.load(folder).rounds) in (2, 3)
        if len(store.load(folder).rounds) == 3:  # failed after the round was in place
            for name in ("round.json", "drawing.jpg"):
                (folder / "round-0003" / name).unlink()
            (folder / "round-0003").rmdir()
        assert not [name for name in os.listdir(folder) if name.startswith(".round-")]
        step += 1
    assert step >= 10
    assert len(store.load(folder).rounds) == 3


def _fail_at(patched, step, code):
    """Let the ``step``-th call that writes fail; returns the countdown."""
    countdown, opened = [step], os.open

    def wrap(real):
        def call(*arguments, **options):
            if real is opened and not arguments[1] & os.O_CREAT:
                return real(*arguments, **options)
            countdown[0] -= 1
            if countdown[0] == -1:
                raise OSError(code, os.strerror(code))
            return real(*arguments, **options)

        return call

    for name in WRITES:
        patched.setattr(os, name, wrap(getattr(os, name)))
    return countdown


@POSIX
def test_a_disk_that_is_full_in_the_middle_of_a_file(folder):
    """The system's own limit on the size of a file (setrlimit(2), RLIMIT_FSIZE): real short writes, at several places."""
    resource = pytest.importorskip("resource")
    before = content(folder)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    for most in (0, 100, len(DRAWING), len(DRAWING) + 1, 3000, 4096, 5000):
        try:
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
            with pytest.raises(PieceError, match=r"no space|can't be written"):
                add(folder)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert content(folder) == before


@POSIX
def test_a_full_disk_while_keeping(folder, monkeypatch):
    before = content(folder)
    for step in range(12):
        with monkeypatch.context() as patched:
            _fail_at(patched, step, errno.ENOSPC)
            with contextlib.suppress(PieceError, CallError):  # CallError: kept already
                store.change_kept(folder, lambda piece: keep.keep(piece, "rim")[0])
        after = content(folder)
        if after["kept.json"] == before["kept.json"]:
            assert after == before
    assert len(store.load(folder).kept) == 2


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the superuser may write everywhere")
def test_a_read_only_folder(folder):
    folder.chmod(0o500)
    try:
        with pytest.raises(PieceError, match="can't be written"):
            add(folder)
        assert len(store.load(folder).rounds) == 2
    finally:
        folder.chmod(0o700)


def test_a_folder_that_refuses_writing_is_told_before_the_slow_part(folder, monkeypatch):
    def refuse(path, data):
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(files, "write_through", refuse)
    with pytest.raises(PieceError, match="Read-only file system"):
        store.prepare(folder)
    assert len(store.load(folder).rounds) == 2


# ---------------------------------------------------------------- several runs at once


def test_a_lock_left_behind_locks_nothing(folder):
    assert (folder / "lock").exists()
    with locks.locked(folder, seconds=0.2):
        pass


@POSIX
def test_a_lock_that_is_held_is_waited_for_and_then_told(folder):
    with locks.locked(folder):
        begin = time.monotonic()
        with pytest.raises(PieceError, match="Another run"), locks.locked(folder, seconds=0.3):
            pass
        assert 0.25 < time.monotonic() - begin < 5

    def hold():
        with locks.locked(folder):
            ready.set()
            time.sleep(0.3)

    ready = threading.Event()
    thread = threading.Thread(target=hold)
    thread.start()
    ready.wait()
    with locks.locked(folder, seconds=10):
        pass
    thread.join()


@POSIX
def test_a_system_without_locks_goes_on(folder, monkeypatch):
    import fcntl

    def refuse(handle, how):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    assert add(folder).number == 3


def _many(folder, count, seed, together):
    together.wait(60)
    for k in range(count):
        add(folder, seed=seed + k)


def test_two_at_once_both_count(folder):
    """Two processes, eight rounds each: none is lost, none is mixed, each is judged by the one before it."""
    context = multiprocessing.get_context("spawn")
    together = context.Barrier(2)
    runs = [context.Process(target=_many, args=(folder, 8, 100 * k, together)) for k in range(2)]
    for each in runs:
        each.start()
    for each in runs:
        each.join(120)
    assert [each.exitcode for each in runs] == [0, 0]
    piece = store.load(folder)
    assert [each.number for each in piece.rounds] == list(range(1, 19))
    ids = [item.id for item in piece.rounds[-1].items]
    assert len(set(ids)) == len(ids)


@POSIX
def test_two_at_once_without_locks_lose_nothing_either(folder, monkeypatch):
    """The slower of two that judged by the same rounds judges anew, by what the other wrote."""
    monkeypatch.setattr(locks, "_take", lambda handle: False)
    store.prepare(folder)

    def judge(piece):
        if len(piece.rounds) == 2 and not hurried:
            hurried.append(add(folder))
        return replace(follow(report({}), piece.settings, piece.rounds, piece.kept)[0], px_per_unit=0.2)

    hurried = []
    assert store.add_round(folder, DRAWING, judge).number == 4
    rounds = store.load(folder).rounds
    assert [each.number for each in rounds] == [1, 2, 3, 4]
    assert rounds[2].items == hurried[0].items
    assert len(rounds[3].changes) == len(rounds[2].items), "judged against the other's round"
    assert not [name for name in os.listdir(folder) if name.startswith(".round-")]
