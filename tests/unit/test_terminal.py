"""What a terminal would obey is never printed."""

import io
import sys

from featurediff.cli import main
from featurediff.cli.terminal import plain_output
from featurediff.naming import printable

OBEYED = "\x1b[31m\x07\r\x9b\u202e\u2066\u200f\u2028\udcff"


def test_printable_keeps_letters_and_spaces_of_all_scripts():
    for text in ("größe 絵 и", "\u0645\u06cc\u200c\u062e", "a\u00a0b\u3000c", ""):
        assert printable(text) == text
    assert printable(OBEYED) == "?[31m" + "?" * 8
    assert printable("a\nb\tc") == "a?b?c"


def test_output_is_plain_only_within(monkeypatch):
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    monkeypatch.setattr(sys, "stdout", out)
    with plain_output():
        print(f"one{OBEYED}two\n\tthree")
        sys.stdout.flush()
    assert sys.stdout is out
    assert out.buffer.getvalue().decode() == "one?[31m????????two\n\tthree\n"


def test_a_line_that_is_written_over_passes_and_what_it_shows_does_not(monkeypatch):
    from featurediff.cli.trying import _Progress

    error = io.StringIO()
    error.isatty = lambda: True
    monkeypatch.setattr(sys, "stderr", error)
    with plain_output():
        _Progress()("table of \x1b[2Jboat.jpg")
    assert error.getvalue() == "\r\x1b[Ktable of ?[2Jboat.jpg"


def test_no_option_brings_it_out(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    name = "\x1b]0;title\x07\u202egpj"
    for call in (
        ["progress", name],
        ["habits", name],
        ["keep", name],
        ["check", "a", "b", "--config", name],
        ["check", "a", "b", "--subject", name],
        ["check", "a", "b", "--marks", name],
        ["check", "a", "b", f"--{name}"],
        ["demo", name],
        ["new-detector", name],
        ["config", "--config", name],
        [name],
    ):
        assert main(call) == 2, call
        told = "".join(capsys.readouterr())
        assert "title" in told and not set(told) & set("\x1b\x07\u202e")


def test_names_that_no_file_can_have_are_missing_files(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("x" * 5000, "a\0b", "\udcff"):
        for call in (["check", name, name, "--subject", "faces"], ["plan", name, "--subject", "faces", "--sheet", "A4"]):
            assert main(call) == 3
        for call in (
            ["check", "a", "b", "--config", name],
            ["check", "a", "b", "--marks", name],
            ["check", "a", "b", "--detector", f"{name}.py"],
            ["check", "a", "b", "--subject", "faces", "--out", f"{name}/{name}"],
            ["progress", name],
            ["habits", name],
        ):
            assert main(call) in (2, 3), call
        assert "fault" not in "".join(capsys.readouterr())
