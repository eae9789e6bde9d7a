"""Only plain files are read, only so much of them, and a new file is never one that was prepared."""

import os

import pytest

from featurediff import plainfiles
from featurediff.plainfiles import NotPlainError, TooLargeError, new_beside, read_plain


def test_a_plain_file_is_read_through_a_link_too(tmp_path):
    (tmp_path / "a").write_bytes(b"kettle")
    (tmp_path / "b").symlink_to("a")
    assert read_plain(tmp_path / "b", 6) == b"kettle"


def test_a_larger_one_is_refused_before_it_is_read(tmp_path):
    (tmp_path / "a").write_bytes(b"")
    os.truncate(tmp_path / "a", 1 << 40)
    with pytest.raises(TooLargeError) as caught:
        read_plain(tmp_path / "a", 1000)
    assert caught.value.size == 1 << 40


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_pipes_and_devices_are_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "zeros").symlink_to("/dev/zero")
    for name in ("pipe", "zeros"):
        with pytest.raises(NotPlainError):
            read_plain(tmp_path / name, 1000)


def test_a_folder_and_a_missing_file_are_told_apart(tmp_path):
    with pytest.raises(IsADirectoryError):
        read_plain(tmp_path, 10)
    with pytest.raises(FileNotFoundError):
        read_plain(tmp_path / "none", 10)


def test_a_new_file_is_never_a_link_that_waits_there(tmp_path, monkeypatch):
    monkeypatch.setattr(plainfiles.secrets, "token_hex", lambda size: "0" * size)
    first = new_beside(tmp_path / "report.json")
    assert first.parent == tmp_path and first.suffix == ".json" and first.read_bytes() == b""
    first.unlink()
    first.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FileExistsError):
        new_beside(tmp_path / "report.json")
    assert not (tmp_path / "elsewhere").exists()
