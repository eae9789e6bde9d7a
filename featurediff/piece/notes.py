"""A round in words for the page: what became of each line of the list, and what else there is to say."""

from __future__ import annotations

from featurediff.piece.records import BETTER, DONE, JOINED, NEW, TOO_FAR, UNCHANGED, UNSEEN, WORSE, Change, Round
from featurediff.piece.words import amount, care, plain, summary
from featurediff.report.page_notes import RoundNotes

_STATES = {BETTER: "better", WORSE: "worse", NEW: "new", UNCHANGED: "as before", UNSEEN: "not seen this time"}


def notes(record: Round, warn_from: int) -> RoundNotes:
    """The notes of a round. A correction that came up in the first round has no state."""
    return RoundNotes(
        number=record.number,
        summary=summary(record),
        states={change.number: _state(change) for change in record.changes if change.number and _state(change)},
        careful=tuple(record.careful),
        care=care(record, warn_from) if record.careful else "",
        done=tuple(plain(change.text) for change in record.changes if change.outcome == DONE),
        remarks=_remarks(record),
    )


def _state(change: Change) -> str:
    return f"went {amount(change)} too far" if change.outcome == TOO_FAR else _STATES.get(change.outcome, "")


def _remarks(record: Round) -> tuple[str, ...]:
    joined = (change.text for change in record.changes if change.outcome == JOINED)
    return (
        *(f"Told together with another from now on: {plain(text)}" for text in joined),
        *(f"Moved, though you kept it: {plain(text)}" for text in record.moved),
        *(f"Left as you drew it: {plain(text)}" for text in record.kept),
    )
