"""Sheet names and measures."""

from __future__ import annotations

import pytest

from featurediff.errors import CallError
from featurediff.sheet.sizes import SHEETS, parse_sheet, sheet_name


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("A4", (210, 297)),
        ("a4", (210, 297)),
        (" a 3 ", (297, 420)),
        ("letter", (215.9, 279.4)),
        ("imperial full", (558.8, 762)),
        ("Imperial-Half", (381, 558.8)),
        ("quarter imperial", (279.4, 381)),
        ("9x12in", (228.6, 304.8)),
        ("12 x 16 in", (304.8, 406.4)),
        ("280x380mm", (280, 380)),
        ("380x280mm", (380, 280)),
        ("11x15in", (279.4, 381)),
        ("28cm x 380mm", (280, 380)),
        ("29,7x42cm", (297, 420)),
        ('9x12"', (228.6, 304.8)),
    ],
)
def test_parsed(text, size):
    assert parse_sheet(text) == pytest.approx(size)


@pytest.mark.parametrize("text", ["A44", "", "10x10", "x", "280x380", "nanxinfmm", "-5x20cm", "A4; drop", "\x1b[31m"])
def test_typo_lists_what_is_allowed(text):
    with pytest.raises(CallError) as caught:
        parse_sheet(text)
    assert all(name in str(caught.value) for name in SHEETS)
    assert "280x380mm" in str(caught.value) and "\x1b" not in str(caught.value)


@pytest.mark.parametrize("text", ["1x1mm", "5000x5000mm", "100x900mm"])
def test_measures_out_of_range(text):
    with pytest.raises(CallError, match="sides of"):
        parse_sheet(text)


def test_names():
    assert sheet_name((297, 210)) == "A4"
    assert sheet_name((280, 380)) == "280 x 380 mm"
