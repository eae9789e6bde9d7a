"""The rounds of a piece in words, and as data."""

from __future__ import annotations

import re
import textwrap
from typing import Any

from featurediff.corrections.words import degrees, join, number, round_amount
from featurediff.piece.records import BETTER, DONE, JOINED, NEW, OUTCOMES, TOO_FAR, UNCHANGED, UNSEEN, WORSE, Change, Piece, Round
from featurediff.report.text import CLOSE, WIDTH

_TOLD = ((DONE, "done"), (TOO_FAR, "went too far"), (BETTER, "better"), (WORSE, "worse"), (NEW, "new"))
_OPEN = (UNCHANGED, UNSEEN)
_TIMES = {1: "once", 2: "twice", 3: "three times", 4: "four times"}


def summary(record: Round) -> str:
    """ "3 done, 1 went too far, 1 open"; of the first round "5 to fix, 2 can wait"."""
    if not record.changes:
        now = sum(each.now for each in record.items)
        parts = [f"{now} to fix"] if now or not record.close_enough else ["nothing to fix"]
        later = len(record.items) - now
        return ", ".join(parts + ([f"{later} can wait"] if later else []))
    counts = [(record.count(outcome), words) for outcome, words in _TOLD] + [(record.count(*_OPEN), "open")]
    return ", ".join(f"{count} {words}" for count, words in counts if count) or "nothing to fix"


def head(record: Round, warn_from: int = 3) -> str:
    """What a round brought, to be read before its list; several lines, or "" when there is nothing to say but the number."""
    lines = [f"Round {record.number}: {summary(record)}."]
    lines += _changes(record)
    same = [change.number for change in record.changes if change.outcome in _OPEN and change.number]
    if same and len(same) < len(record.items):
        lines.append(_line(f"As before: {_numbers(same)}."))
    fresh = [change.number for change in record.changes if change.outcome == NEW and change.number]
    if fresh:
        lines.append(_line(f"New: {_numbers(fresh)}."))
    lines += [_line(f"Moved, though you kept it: {plain(text)}") for text in record.moved]
    lines += [_line(f"Left as you drew it: {plain(text)}") for text in record.kept]
    if record.careful:
        lines.append(_line(care(record, warn_from)))
    return "\n".join(lines)


def _changes(record: Round) -> list[str]:
    """What became of the items, in the order of `OUTCOMES`: what is done comes first."""
    ordered = sorted(record.changes, key=lambda change: OUTCOMES.index(change.outcome))
    return [_line(sentence) for change in ordered if (sentence := _told(change))]


def care(record: Round, warn_from: int) -> str:
    """The warning for the paper. Common practice, no source."""
    times = _TIMES.get(warn_from - 1, f"{warn_from - 1} times")
    return (
        f"Mind the paper at {_numbers(list(record.careful))}: you have corrected there {times} already. Dab, do not rub, "
        "or leave it; another correction in one place will show in the paint."
    )


def _told(change: Change) -> str:
    at = f" (now {change.number})" if change.number else ""
    text = plain(change.text)
    if change.outcome == DONE:
        return f"Done: {text}"
    if change.outcome == TOO_FAR:
        return f"Went {amount(change)} too far{at}: {text}"
    if change.outcome in (BETTER, WORSE):
        return f"{change.outcome.capitalize()}{at}: {text}"
    if change.outcome == JOINED:
        return f"Told together with another from now on: {text}"
    if change.outcome == UNSEEN:
        return f"Not seen this time{at}: {text}"
    return ""


def amount(change: Change) -> str:
    """ "1.5 mm", "2 degrees"; what has no such unit goes "a little"."""
    if change.amount is None:
        return "a little"
    if change.unit == "deg":
        return degrees(change.amount)
    if change.unit in ("mm", "%"):
        return f"{number(max(round_amount(change.amount), 0.5))} {change.unit}"
    return "a little"


def plain(text: str) -> str:
    """A sentence of the list without its remark about size."""
    return re.sub(r" \(small: [^)]*\)", "", text)


def _numbers(numbers: list[int]) -> str:
    return join([str(each) for each in sorted(numbers)])


def _line(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_long_words=False)


def worst(record: Round) -> str:
    """ "worst 4 mm", or "" when nothing is open."""
    if not record.items or record.worst <= 0:
        return ""
    return f"worst {number(max(round_amount(record.worst), 0.5))} {record.unit}"


# ---------------------------------------------------------------- the whole piece


def history(piece: Piece) -> str:
    """All rounds, what is open now and what is kept."""
    if not piece.rounds:
        return "No photograph was checked yet."
    blocks = []
    for record in piece.rounds:
        end = f"; {worst(record)}" if worst(record) else ""
        lines = [f"Round {record.number}: {summary(record)}{end}."]
        lines += _changes(record)
        lines += [_line(f"New: {plain(change.text)}") for change in record.changes if change.outcome == NEW]
        blocks.append("\n".join(lines))
    last = piece.rounds[-1]
    if piece.open_now:
        told = (f"{each.correction.rank}. {plain(each.correction.text)}" for each in piece.open_now)
        blocks.append("\n".join(["Open now:", *map(_line, told)]))
    if last.careful:
        blocks.append(textwrap.fill(care(last, piece.settings.rounds.warn_from), WIDTH))
    if piece.kept:
        blocks.append(kept(piece))
    if last.close_enough:
        blocks.append(CLOSE)
    return "\n\n".join(blocks)


def kept(piece: Piece) -> str:
    """What is kept, numbered."""
    if not piece.kept:
        return "Nothing is kept."
    return "\n".join(["Kept as you drew it:", *(_line(f"{each.number}. {plain(each.text)}") for each in piece.kept)])


# ---------------------------------------------------------------- data


def round_data(record: Round) -> dict[str, Any]:
    """A round for the JSON form of a report: counts, what became of each item, warnings."""
    return {
        "number": record.number,
        "summary": summary(record),
        "counts": {
            **{words.replace(" ", "_"): record.count(outcome) for outcome, words in _TOLD},
            "open": len(record.items),
        },
        "worst": round(record.worst, 2),
        "unit": record.unit,
        "changes": [
            {
                "outcome": each.outcome,
                "text": each.text,
                "number": each.number,
                "too_far": None if each.amount is None else round(each.amount, 2),
                "unit": each.unit,
            }
            for each in record.changes
        ],
        "kept": list(record.kept),
        "moved_though_kept": list(record.moved),
        "mind_the_paper": list(record.careful),
        "close_enough": record.close_enough,
    }


def history_data(piece: Piece) -> dict[str, Any]:
    """All rounds for machines."""
    return {
        "schema": "featurediff-progress-1",
        "subject": piece.settings.subject,
        "rounds": [round_data(each) for each in piece.rounds],
        "kept": [{"number": each.number, "text": each.text} for each in piece.kept],
    }
