"""Judge a round against the one before: what is done, better, worse, new, gone too far - or only looks so.

Items are known again by the measures of the features they are about, never by their number. Uncertainty counts: a measure that
differs by less than twice the joint standard uncertainty of both photographs has not changed, so an item keeps its state, and
its words, until it surely has. An unchanged sheet photographed again therefore gives the same list.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from featurediff.corrections.rank import SMALL
from featurediff.piece import places
from featurediff.piece.readings import Key, about, all_readings, in_units_of, joint, longest, share_left
from featurediff.piece.records import (
    BETTER,
    DONE,
    JOINED,
    NEW,
    TOO_FAR,
    TOUCHED,
    UNCHANGED,
    UNSEEN,
    WORSE,
    Change,
    Item,
    Kept,
    Reading,
    Round,
)
from featurediff.records import STAGES, Correction, NotJudged, Report
from featurediff.report.text import half_done
from featurediff.settings import Settings

# Two lists speak of one thing when they share this much of the shorter one's measures.
_SAME = 0.5
# One measure of many may seem to change by chance: by itself it must do so by this many joint uncertainties.
_ONE_OF_MANY = 3.0
KEPT = "kept as you drew it"


@dataclass(frozen=True)
class _New:
    """A correction of the new list with the measures it is about."""

    correction: Correction
    readings: tuple[Reading, ...]

    @property
    def keys(self) -> set[Key]:
        return {each.key for each in self.readings}


@dataclass(frozen=True)
class _Old:
    """An open item beside the new list. ``left``: share of its error, or None when not seen.

    ``match`` indexes the new list, or is -1.
    """

    item: Item
    left: float | None
    changed: bool
    match: int

    @property
    def keys(self) -> set[Key]:
        return {each.key for each in self.item.readings}


def follow(report: Report, settings: Settings, rounds: Sequence[Round] = (), kept: Sequence[Kept] = ()) -> tuple[Round, Report]:
    """The next round of a piece, and the report as it is told then.

    ``report`` is what the new photograph gave by itself, ``rounds`` are all earlier ones. In the returned report items near
    their limits keep their state, and what is kept is left out.
    """
    before = rounds[-1] if rounds else None
    frame = places.frame_of(report)
    readings = all_readings(report, settings)
    if before is not None:
        before = _in_frame(before, frame)
    asleep, silent_texts, moved = _kept_keys(kept, readings, frame, settings)
    news = [_New(each, about(each, readings)) for each in (*report.corrections, *report.later)]
    news = [each for each in news if not each.keys or not each.keys <= asleep]
    if before is None:
        items, changes = _first(news), []
    else:
        items, changes = _judged(before, news, readings, asleep, settings, _next_id(rounds))
    items = _ranked(items, settings)
    told = _told(report, items, asleep)
    changes = [_numbered(change, items) for change in changes]
    touched = places.touched(before, changes, report, frame) if before is not None else ()
    record = Round(
        number=before.number + 1 if before else 1,
        report=told.to_dict(),
        items=tuple(items),
        base=_base(before, readings, changes, settings),
        changes=tuple(changes),
        touched=touched,
        lineup=frame.lineup,
        size=frame.size,
        unit=frame.unit,
        worst=max((_amount(each) for each in items), default=0.0),
        moved=tuple(moved),
        kept=tuple(silent_texts),
        close_enough=not told.corrections and not half_done(told),
    )
    careful = places.worn([each.touched for each in (*rounds, record)], items, report, frame, settings)
    return replace(record, careful=careful), told


def _first(news: Sequence[_New]) -> list[Item]:
    return [Item(number, each.correction, each.readings, 1) for number, each in enumerate(news, start=1)]


def _next_id(rounds: Sequence[Round]) -> int:
    used = [each.id for one in rounds for each in one.items] + [each.item for one in rounds for each in one.changes]
    return max(used, default=0) + 1


# ---------------------------------------------------------------- the round before, in the new one's frame


def _in_frame(before: Round, frame: places.Frame) -> Round:
    """The round with its items laid on the new photograph's sheet, and with lengths in its unit."""
    factor = 1.0 if before.unit == frame.unit else frame.size / max(before.size, 1e-9)
    old = places.Frame(before.lineup, before.size, before.unit)
    items = tuple(
        replace(
            each,
            correction=places.carried(each.correction, old, frame),
            readings=in_units_of(each.readings, frame.unit, factor),
        )
        for each in before.items
    )
    return replace(before, items=items, base=in_units_of(before.base, frame.unit, factor))


def _kept_keys(
    kept: Sequence[Kept], readings: Mapping[Key, Reading], frame: places.Frame, settings: Settings
) -> tuple[set[Key], list[str], list[str]]:
    """The measures that are silent, the texts of the kept items they belong to, and of those that have moved since."""
    asleep: dict[str, set[Key]] = {}
    moved: dict[str, set[Key]] = {}
    for each in kept:
        own = in_units_of(each.readings, frame.unit, frame.size / max(each.size, 1e-9))
        awake = any(_moved(one, readings[one.key], settings) for one in own if one.key in readings)
        (moved if awake else asleep).setdefault(each.text, set()).update(one.key for one in own)
    keys = set().union(*asleep.values())
    # Kept again at its new place, it is silent whatever became of the old one.
    return keys, list(asleep), [text for text, own in moved.items() if not own <= keys]


def _moved(kept: Reading, now: Reading, settings: Settings) -> bool:
    change = abs(now.value - kept.value)
    return change > kept.limit and change > settings.tolerances.certainty_times * joint(kept, now)


# ---------------------------------------------------------------- old items and new list


def _judged(
    before: Round, news: list[_New], readings: Mapping[Key, Reading], asleep: set[Key], settings: Settings, next_id: int
) -> tuple[list[Item], list[Change]]:
    base = {each.key: each for each in before.base}
    open_before = [each for each in before.items if not {one.key for one in each.readings} <= asleep]
    olds = [_beside(each, news, readings, base, settings) for each in open_before]
    claims = _claims(olds, news)
    items: list[Item] = []
    changes: list[Change] = []
    for index, old in enumerate(olds):
        item, change = _outcome(old, claims.get(index), news, readings)
        changes.append(change)
        if item is not None:
            items.append(item)
    covered = {key for each in items for key in (one.key for one in each.readings)}
    taken = set(claims.values())
    for index, new in enumerate(news):
        if index in taken or _is_covered(new, covered) or _only_looks_so(new, base, settings):
            continue
        items.append(Item(next_id, new.correction, new.readings, before.number + 1))
        changes.append(Change(next_id, NEW, new.correction.text))
        next_id += 1
    return items, changes


def _beside(
    item: Item, news: list[_New], readings: Mapping[Key, Reading], base: Mapping[Key, Reading], settings: Settings
) -> _Old:
    left = share_left(item.readings, readings)
    match = _match(item, news)
    if left is None:
        return _Old(item, None, False, match)
    times = settings.tolerances.certainty_times
    changed = abs(1.0 - left[0]) > times * left[1]
    for each in item.readings:
        now = readings.get(each.key)
        changed |= now is not None and _differs(each, now, max(times, _ONE_OF_MANY))
    if match >= 0 and not changed:
        # The new item tells more than the old one did, and that part is really new.
        own = {each.key for each in item.readings}
        more = [each for each in news[match].readings if each.key not in own and abs(each.value) > each.limit]
        changed = any(each.key in base and _differs(base[each.key], each, max(times, _ONE_OF_MANY)) for each in more)
    return _Old(item, left[0], changed, match)


def _match(item: Item, news: list[_New]) -> int:
    """The new correction that speaks of the same measures, or -1; without measures, the one about the same features."""
    keys = {each.key for each in item.readings}
    if not keys:
        same = [k for k, new in enumerate(news) if _plain(new.correction) == _plain(item.correction)]
        return same[0] if same else -1
    best, most = -1, 0.0
    for index, new in enumerate(news):
        shared = len(keys & new.keys)
        likeness = shared / max(min(len(keys), len(new.keys)), 1)
        if likeness >= _SAME and shared + likeness > most:
            best, most = index, shared + likeness
    return best


def _plain(correction: Correction) -> tuple[str, tuple[str, ...]]:
    return correction.kind, correction.explains


def _claims(olds: list[_Old], news: list[_New]) -> dict[int, int]:
    """Old item -> the new correction by which it is told from now on: each new one goes to the changed item most like it."""
    claims: dict[int, int] = {}
    for index in range(len(news)):
        rivals = [k for k, old in enumerate(olds) if old.match == index and old.changed]
        if rivals:
            claims[max(rivals, key=lambda k: len(olds[k].keys & news[index].keys))] = index
    return claims


def _outcome(old: _Old, claim: int | None, news: list[_New], readings: Mapping[Key, Reading]) -> tuple[Item | None, Change]:
    """What became of an item: the item as it stands now (None when it is closed), and the change."""
    item, text = old.item, old.item.correction.text
    if not item.readings:
        return (item, Change(item.id, UNCHANGED, text)) if old.match >= 0 else (None, Change(item.id, DONE, text))
    if old.left is None:
        return item, Change(item.id, UNSEEN, text)
    if not old.changed:
        return item, Change(item.id, UNCHANGED, text)
    if claim is not None:
        new = news[claim]
        now = replace(item, correction=new.correction, readings=new.readings)
        if old.left < 0:
            amount, unit = _beyond(old, new.correction)
            return now, Change(item.id, TOO_FAR, text, amount=amount, unit=unit)
        return now, Change(item.id, BETTER if old.left < 1 else WORSE, text)
    rest = [readings[each.key] for each in item.readings if each.key in readings]
    if old.match >= 0 and any(abs(each.value) > each.limit for each in rest):
        return None, Change(item.id, JOINED, text)
    if old.match < 0 and any(abs(each.value) > each.limit + 2.0 * each.sigma for each in rest):
        # Surely wrong still, though the new list has no words for it.
        return item, Change(item.id, UNCHANGED, text)
    return None, Change(item.id, DONE, text)


def _beyond(old: _Old, new: Correction) -> tuple[float, str]:
    """How far beyond the mark, in the terms of the new correction."""
    first = old.item.readings[0]
    if new.move_mm is not None and new.turn_deg is None:
        return float((new.move_mm[0] ** 2 + new.move_mm[1] ** 2) ** 0.5), first.unit
    if new.turn_deg is not None:
        return abs(new.turn_deg), "deg"
    largest = max(old.item.readings, key=lambda each: abs(each.value) / each.limit)
    return abs(old.left * largest.value), largest.unit


def _is_covered(new: _New, covered: set[Key]) -> bool:
    """Whether an open item already speaks of this."""
    return bool(new.keys) and len(new.keys & covered) >= _SAME * len(new.keys)


def _only_looks_so(new: _New, base: Mapping[Key, Reading], settings: Settings) -> bool:
    """True for an item that came up without any change on the paper: its measures are near their limits, and as they were."""
    times = settings.tolerances.certainty_times
    for each in new.readings:
        was = base.get(each.key)
        if (
            was is None
            or _differs(was, each, max(times, _ONE_OF_MANY))
            or abs(each.value) > each.limit + times * joint(was, each)
        ):
            return False
    return bool(new.readings)


def _differs(was: Reading, now: Reading, times: float) -> bool:
    return abs(now.value - was.value) > times * joint(was, now)


# ---------------------------------------------------------------- the list as told


def _ranked(items: list[Item], settings: Settings) -> list[Item]:
    """In the order of the list, numbered; details wait while a size or proportion is open, the last when there is enough."""
    ordered = sorted(items, key=lambda each: (_small(each), STAGES.index(each.correction.stage), each.correction.rank))
    big = any(each.correction.stage in ("size", "proportion") and not _small(each) for each in ordered)
    now = [each for each in ordered if not (big and each.correction.stage == "detail")][: settings.corrections.shown_at_most]
    ids = {each.id for each in now}
    later = [each for each in ordered if each.id not in ids]
    return [
        replace(each, correction=replace(each.correction, rank=rank), now=each.id in ids)
        for rank, each in enumerate([*now, *later], start=1)
    ]


def _small(item: Item) -> bool:
    return item.correction.size < SMALL


def _told(report: Report, items: list[Item], asleep: set[Key]) -> Report:
    """The report with the list as the artist is to see it."""
    named = {name for each in items for name in each.correction.explains}
    silent = {feature for feature, _ in asleep} - named
    known = {each.name for each in report.features}
    return replace(
        report,
        corrections=tuple(each.correction for each in items if each.now),
        later=tuple(each.correction for each in items if not each.now),
        good=tuple(name for name in report.good if name not in named and name not in silent),
        not_judged=(*report.not_judged, *(NotJudged(name, KEPT) for name in sorted(silent & known))),
    )


def _numbered(change: Change, items: list[Item]) -> Change:
    ranks = {each.id: each.correction.rank for each in items}
    return replace(change, number=ranks.get(change.item))


def _base(
    before: Round | None, readings: Mapping[Key, Reading], changes: Sequence[Change], settings: Settings
) -> tuple[Reading, ...]:
    """Every measure as it was when it last changed for sure."""
    base = {each.key: each for each in before.base} if before else {}
    worked = {each.item for each in changes if each.outcome in TOUCHED}
    anew = {one.key for each in (before.items if before else ()) if each.id in worked for one in each.readings}
    for key, now in readings.items():
        was = base.get(key)
        if was is None or key in anew or _differs(was, now, settings.tolerances.certainty_times):
            base[key] = now
    return tuple(base.values())


def _amount(item: Item) -> float:
    """How far off an item is, as a length: the move that is told, else by its measures, else by what its picture shows."""
    move = item.correction.move_mm
    if move is not None and item.correction.turn_deg is None:
        return (move[0] ** 2 + move[1] ** 2) ** 0.5
    by_arrows = max(((dx**2 + dy**2) ** 0.5 for _, (dx, dy) in item.correction.arrows), default=0.0)
    return longest(item.readings) or by_arrows
