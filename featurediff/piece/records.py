"""What a piece holds: the rounds of one drawing, and what the artist wants left as drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from featurediff.records import Correction
from featurediff.settings import Settings

# What became of an item since the round before. "unchanged" and "unseen" leave it as it stood.
DONE, BETTER, WORSE, TOO_FAR, UNCHANGED, NEW, JOINED, UNSEEN = (
    "done",
    "better",
    "worse",
    "too far",
    "unchanged",
    "new",
    "joined",
    "unseen",
)
OUTCOMES = (DONE, TOO_FAR, BETTER, WORSE, UNCHANGED, NEW, JOINED, UNSEEN)
# These mean that the paper was worked on there since the round before.
TOUCHED = (DONE, BETTER, WORSE, TOO_FAR)


@dataclass(frozen=True)
class Reading:
    """One measure of one feature at the time it last changed: ``value`` is drawing minus reference in ``unit``.

    ``sigma`` is its standard uncertainty, ``limit`` what it may be off: the tolerance, or what that photograph could be trusted
    for, whichever is larger.
    """

    feature: str
    measure: str
    value: float
    sigma: float
    limit: float
    unit: str

    @property
    def key(self) -> tuple[str, str]:
        """(feature, measure): what a reading is known by from round to round."""
        return self.feature, self.measure


@dataclass(frozen=True)
class Item:
    """An open item of the list, followed from round to round by what it is about, never by its number in a list.

    ``id`` is unique within the piece. ``correction`` is how it was told last; ``readings`` are the measures it would put right.
    ``since`` is the round in which it came up. ``now`` is True in the list to fix, False among those that can wait.
    """

    id: int
    correction: Correction
    readings: tuple[Reading, ...]
    since: int
    now: bool = True


@dataclass(frozen=True)
class Change:
    """What became of one item in a round: ``outcome`` is one of `OUTCOMES`.

    ``text`` is the item as told before (or as told now, for a new one), ``number`` its rank in the round's list or None.
    ``amount`` and ``unit`` ("mm", "%", "deg", "ratio") say how far beyond the mark a "too far" went.
    """

    item: int
    outcome: str
    text: str
    number: int | None = None
    amount: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Kept:
    """An item that the artist drew so on purpose: silent until one of ``readings`` moves by more than its limit.

    ``number`` is its number among the kept. ``size`` is the subject's size in the readings' unit of length, ``at_round`` the
    round of whose list it was taken.
    """

    number: int
    text: str
    readings: tuple[Reading, ...]
    size: float
    at_round: int


@dataclass(frozen=True)
class Round:
    """One photograph of the drawing and what was found in it.

    ``report`` is the JSON form of the list as told. ``items`` are open after this round. ``base`` holds every measure as it was
    when it last changed by more than its uncertainty. ``changes`` tell what became of the items of the round before.
    ``touched`` (x, y): where the paper was worked on since then, in reference px. ``lineup``: scale, turn and move from
    reference px to this round's sheet units; ``size``: the subject's size in them; ``px_per_unit`` of its squared picture.
    ``worst`` is the largest open error in ``unit``. ``moved``: texts of kept items that have moved and are listed again.
    ``careful``: numbers of items where the paper has had enough. ``kept``: texts of the items left out because they are kept.
    ``close_enough``: nothing is left to do.
    """

    number: int
    report: Mapping[str, Any]
    items: tuple[Item, ...]
    base: tuple[Reading, ...]
    changes: tuple[Change, ...]
    touched: tuple[tuple[float, float], ...]
    lineup: tuple[float, float, float, float]
    size: float
    unit: str
    worst: float
    moved: tuple[str, ...] = ()
    careful: tuple[int, ...] = ()
    kept: tuple[str, ...] = ()
    px_per_unit: float = 0.0
    close_enough: bool = False

    def count(self, *outcomes: str) -> int:
        """How many items had one of these outcomes."""
        return sum(change.outcome in outcomes for change in self.changes)


@dataclass(frozen=True)
class Piece:
    """A piece as its folder holds it: ``settings`` of every round, ``left_out`` settings that name files and are not kept."""

    settings: Settings
    left_out: tuple[str, ...] = ()
    rounds: tuple[Round, ...] = ()
    kept: tuple[Kept, ...] = field(default=())

    @property
    def last(self) -> Round | None:
        """The latest round."""
        return self.rounds[-1] if self.rounds else None

    @property
    def open_now(self) -> tuple[Item, ...]:
        """The items of the latest list, less those that were kept since."""
        if self.last is None:
            return ()
        kept = [set(each.readings) for each in self.kept if each.at_round == self.last.number]
        return tuple(each for each in self.last.items if not any(set(each.readings) == readings for readings in kept))
