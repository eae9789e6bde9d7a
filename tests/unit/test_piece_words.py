"""What is said about rounds, and what can be kept."""

import json

import pytest
from piece_kit import report

from featurediff.errors import CallError
from featurediff.piece import keep, words
from featurediff.piece.follow import follow
from featurediff.piece.records import Change, Piece
from featurediff.settings import Settings

SETTINGS = Settings(subject="jugs")
FIVE = {"rim": (0, 3), "spout": (3.5, 0), "handle": (-4, 0), "belly": (0, -3), "foot": (3, 3)}


def piece(*offs, kept=()):
    rounds = []
    for off in offs:
        rounds.append(follow(report(off), SETTINGS, rounds, kept)[0])
    return Piece(SETTINGS, (), tuple(rounds), tuple(kept))


def test_the_first_round_counts_what_is_to_fix():
    assert words.head(piece(FIVE).last) == "Round 1: 5 to fix."
    assert words.head(piece({}).last) == "Round 1: nothing to fix."


def test_scenario_14_in_words():
    last = piece(FIVE, {"belly": (0, 1.5), "foot": (3, 3)}).last
    assert words.head(last).splitlines() == [
        "Round 2: 3 done, 1 went too far, 1 open.",
        "  Done: Move the handle 4.0 mm.",
        "  Done: Move the spout 3.5 mm.",
        "  Done: Move the rim 3.0 mm.",
        "  Went 1.5 mm too far (now 2): Move the belly 3.0 mm.",
        "  As before: 1.",
    ]


def test_better_worse_new_and_unseen_have_their_words():
    text = words.head(piece({"rim": (0, 6), "foot": (0, 3)}, {"rim": (0, 3), "foot": (0, 6), "belly": (4, 0)}).last)
    assert "Round 2: 1 better, 1 worse, 1 new." in text
    assert "  New: 2." in text
    rounds = piece({"rim": (0, 3)}).rounds
    unseen, _ = follow(report({}, missing=("rim",)), SETTINGS, rounds)
    assert "Not seen this time (now 1): Move the rim" in words.head(unseen)


def test_an_unchanged_sheet_says_so_briefly():
    assert words.head(piece(FIVE, FIVE).last) == "Round 2: 5 open."


@pytest.mark.parametrize(
    ("amount", "unit", "told"),
    [
        (1.5, "mm", "1.5 mm"),
        (1.74, "mm", "1.5 mm"),
        (0.1, "mm", "0.5 mm"),
        (6.2, "mm", "6 mm"),
        (2.4, "deg", "2 degrees"),
        (None, "", "a little"),
    ],
)
def test_amounts_are_rounded_as_in_the_list(amount, unit, told):
    assert words.amount(Change(1, "too far", "x", 1, amount, unit)) == told


def test_the_paper_is_minded():
    text = words.head(piece({"rim": (0, 4)}, {"rim": (0, -4)}, {"rim": (0, 4)}).last)
    assert "Mind the paper at 1: you have corrected there twice already." in " ".join(text.split())


def test_history_has_counts_and_the_worst_error():
    text = words.history(piece(FIVE, {"belly": (0, 1.5)}, {}))
    assert "Round 1: 5 to fix; worst 4 mm." in text
    assert "Round 2: 4 done, 1 went too far; worst 1.5 mm." in text
    assert "Round 3: 1 done." in text
    assert text.endswith("Close enough to paint.")
    assert words.history(Piece(SETTINGS)) == "No photograph was checked yet."


def test_history_as_data():
    data = words.history_data(piece(FIVE, {"belly": (0, 1.5)}))
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert data["rounds"][1]["counts"] == {"done": 4, "went_too_far": 1, "better": 0, "worse": 0, "new": 0, "open": 1}
    assert data["rounds"][1]["changes"][-1]["outcome"] in ("done", "too far")


def test_the_remark_about_size_is_left_out():
    assert words.plain("Raise the rim 1 mm (small: if you are there anyway).") == "Raise the rim 1 mm."


# ---------------------------------------------------------------- keeping


def test_an_item_is_kept_by_number_or_by_feature():
    whole = piece(FIVE)
    by_name, one = keep.keep(whole, " Rim ")
    number = next(each.correction.rank for each in whole.last.items if each.correction.explains == ("rim",))
    by_number, other = keep.keep(whole, str(number))
    assert one == other
    assert by_name == by_number
    again, second = keep.keep(Piece(SETTINGS, (), whole.rounds, by_name), "foot")
    assert [each.number for each in again] == [1, 2]
    rest, gone = keep.take_back(Piece(SETTINGS, (), whole.rounds, again), "2")
    assert gone == second
    assert rest == by_name


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        ("9", "has no number 9"),
        ("0", "has no number 0"),
        ("rin", "did you mean 'rim'"),
        ("-1", "No item"),
        ("", "No item"),
        ("1e9", "No item"),
    ],
)
def test_what_is_not_in_the_list_can_not_be_kept(wanted, told):
    with pytest.raises(CallError, match=told) as caught:
        keep.keep(piece(FIVE), wanted)
    assert caught.value.remedy


def test_calls_that_make_no_sense():
    whole = piece(FIVE)
    kept, _ = keep.keep(whole, "1")
    with pytest.raises(CallError, match="kept already"):
        keep.keep(Piece(SETTINGS, (), whole.rounds, kept), "1")
    with pytest.raises(CallError, match="No photograph"):
        keep.keep(Piece(SETTINGS), "1")
    with pytest.raises(CallError, match="is empty"):
        keep.keep(piece({}), "1")
    with pytest.raises(CallError, match="Nothing is kept"):
        keep.take_back(whole, "1")
    with pytest.raises(CallError, match="not one of the kept"):
        keep.take_back(Piece(SETTINGS, (), whole.rounds, kept), "2")
