"""Order, cap and how sure: what to change first, what can wait."""

from __future__ import annotations

from featurediff.corrections.items import Item
from featurediff.records import STAGES
from featurediff.settings import Settings

# Below so many times its limit an error is small: put right only if the artist is there anyway.
SMALL = 2.0

# How many statements of a sort were hits (tests/benchmark/trust_hits.py), on drawings with known mistakes and true copies among
# them, of scenes to develop on; printed by tests/benchmark/trust_fit.py from what `featurediff.doubt` names and faces 34,
# buildings 19, tables 12. So few, many of them one thing told again in another hand, bear no finer sorts; how alike a place
# looked did not tell hits from misses.
HITS = {
    "own form": 0.29,  # 4 of 15, without what `believed` leaves out
    "near its limit": 0.64,  # 28 of 43
    "clear": 0.91,  # 194 of 212
}
_SIZES = ("width", "height", "each width", "each height")
_OWN_FORM = (*_SIZES, "shape")
_NEAR = 1.5


def believed(item: Item) -> bool:
    """Not what would be said of a thing's own width or height near its limit: of 11 such, on the drawings counted in `HITS`,
    none was a hit."""
    return item.kind not in _SIZES or item.size >= _NEAR


def order(items: list[Item]) -> list[Item]:
    """What needs fixing first, what is small after it; either by stage, then by error in tolerances times importance."""
    return sorted(items, key=lambda item: (item.size < SMALL, STAGES.index(item.stage), -item.size * item.importance))


def split(items: list[Item], settings: Settings) -> tuple[list[Item], list[Item]]:
    """What is shown and what waits, both ordered.

    While a size or proportion item is open, details wait: they would be drawn twice. What is small waits when there is enough to
    do, and a small one of size or proportion keeps no detail waiting.
    """
    ordered = order(items)
    big = any(item.stage in ("size", "proportion") and item.size >= SMALL for item in ordered)
    shown = [item for item in ordered if not (big and item.stage == "detail")]
    waiting = [item for item in ordered if big and item.stage == "detail"]
    cap = settings.corrections.shown_at_most
    if len(shown) > cap:
        shown, waiting = shown[:cap], shown[cap:] + waiting
    return shown, waiting


def sort_of(kind: str, size: float) -> str:
    """The sort of statements that `HITS` knows: about a thing's own size or shape, another one near its limit, or any other."""
    if kind in _OWN_FORM:
        return "own form"
    return "near its limit" if size < _NEAR else "clear"


def sure(item: Item) -> float:
    """0..1: how many of a hundred statements of its sort are right."""
    return HITS[sort_of(item.kind, item.size)]
