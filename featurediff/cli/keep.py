"""``featurediff keep``: what the artist drew so on purpose stays silent until it moves."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from featurediff.errors import CallError

if TYPE_CHECKING:
    from featurediff.piece.records import Kept


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.piece import keep, store, words

    folder = Path(arguments.piece)
    piece = store.load(folder)
    if arguments.item is None:
        if arguments.take_back:
            raise CallError("What to take back is not said.", f"featurediff keep {arguments.piece} lists what is kept.")
        print(words.kept(piece))
        return 0
    change = keep.take_back if arguments.take_back else keep.keep
    done: list[Kept] = []

    def changed(piece) -> tuple[Kept, ...]:
        kept, one = change(piece, arguments.item)
        done[:] = [one]
        return kept

    kept = store.change_kept(folder, changed)
    print(_took_back(done[0]) if arguments.take_back else _kept(done[0], len(replace(piece, kept=kept).open_now)))
    return 0


def _kept(one: Kept, still_open: int) -> str:
    from featurediff.piece.words import plain

    rest = f"Still open: {still_open}." if still_open else "Nothing else is open."
    return f"Kept as you drew it: {plain(one.text)}\nIt is not listed again until it moves by more than its limit. {rest}"


def _took_back(one: Kept) -> str:
    from featurediff.piece.words import plain

    return f"No longer kept: {plain(one.text)}\nIt is listed again from the next photograph on, if it is still off."
