"""``featurediff progress``: the rounds of a piece, in words and as a strip of pictures."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from featurediff.errors import FeaturediffError


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.cli.output import prepare_folder
    from featurediff.piece import store, words

    folder = Path(arguments.piece)
    piece = store.load(folder)
    out = prepare_folder(arguments.out) if arguments.out is not None else folder
    if arguments.format == "json":
        print(json.dumps(words.history_data(piece), indent=2, allow_nan=False))
    else:
        print(words.history(piece))
    if piece.rounds:
        _write_strip(piece, folder, out)
    return 0


def _write_strip(piece, folder: Path, out: Path) -> None:
    from featurediff.piece import files, store
    from featurediff.piece.strip import strip

    picture = strip(piece, lambda number: store.drawing_of(folder, number))
    try:
        files.write(out / store.PROGRESS, picture)
    except FeaturediffError as error:
        raise FeaturediffError(
            f"The strip of pictures was not written: {error.what}", "Name a folder for it after --out."
        ) from None
