""" "I drew it so on purpose": items that stay silent, and taking that back."""

from __future__ import annotations

from featurediff.errors import CallError
from featurediff.naming import did_you_mean
from featurediff.piece.records import Item, Kept, Piece


def keep(piece: Piece, wanted: str) -> tuple[tuple[Kept, ...], Kept]:
    """The kept items with one more: ``wanted`` is its number in the latest list, or a feature it is about. Raises CallError."""
    item = _item(piece, wanted)
    if any(each.readings == item.readings for each in piece.kept):
        raise CallError(f"'{wanted}' is kept already.", "featurediff keep DIR lists what is kept.")
    if not item.readings:
        raise CallError(f"'{wanted}' has no measure of its own that could be kept.", "Ignore it in the list.")
    number = max((each.number for each in piece.kept), default=0) + 1
    new = Kept(number, item.correction.text, item.readings, piece.last.size, piece.last.number)
    return (*piece.kept, new), new


def take_back(piece: Piece, wanted: str) -> tuple[tuple[Kept, ...], Kept]:
    """The kept items without one: ``wanted`` is its number among the kept, or a feature it is about. Raises CallError."""
    if not piece.kept:
        raise CallError("Nothing is kept in this piece.")
    if wanted.isdecimal():
        found = [each for each in piece.kept if str(each.number) == wanted.lstrip("0")]
    else:
        found = [each for each in piece.kept if any(_same(wanted, one.feature) for one in each.readings)]
    if len(found) != 1:
        known = ", ".join(f"{each.number} ({each.text.rstrip('.')})" for each in piece.kept)
        raise CallError(f"'{wanted}' is not one of the kept items.", f"There are: {known}.")
    return tuple(each for each in piece.kept if each is not found[0]), found[0]


def _item(piece: Piece, wanted: str) -> Item:
    if piece.last is None:
        raise CallError("No photograph was checked yet, so there is no list.", "featurediff check --piece DIR DRAWING")
    items = piece.last.items
    if not items:
        raise CallError("The latest list is empty: there is nothing to keep.")
    if wanted.isdecimal():
        found = [each for each in items if str(each.correction.rank) == wanted.lstrip("0")]
        if not found:
            raise CallError(f"The latest list has no number {wanted}.", f"Its numbers are 1 to {len(items)}.")
        return found[0]
    found = [each for each in items if any(_same(wanted, name) for name in each.correction.explains)]
    if len(found) == 1:
        return found[0]
    if found:
        numbers = ", ".join(str(each.correction.rank) for each in found)
        raise CallError(f"Several items are about '{wanted}'.", f"Give its number in the list instead: {numbers}.")
    names = sorted({name for each in items for name in each.correction.explains})
    raise CallError(
        f"No item of the latest list is about '{wanted}'{did_you_mean(wanted, names, '.')}", "Give its number instead."
    )


def _same(wanted: str, name: str) -> bool:
    return wanted.strip().casefold() == name.casefold()
