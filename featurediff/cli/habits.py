"""``featurediff habits``: what the first drawings of many pieces have in common."""

from __future__ import annotations

import argparse
import json
import sys

from featurediff.errors import CompareError


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.cli.output import prepare_folder, write_atomically
    from featurediff.habits import words
    from featurediff.habits.pieces import first_drawings
    from featurediff.habits.tendencies import habits

    out = prepare_folder(arguments.out) if arguments.out is not None else None
    found = first_drawings(arguments.pieces)
    for text in found.passed_over:
        print(f"Passed over: {text}", file=sys.stderr)
    if not found.drawings:
        raise CompareError("None of these pieces can be used.", "Name pieces with at least one round.")
    subjects = habits(found.drawings)
    data = json.dumps(words.habits_data(subjects), indent=2, allow_nan=False)
    print(data if arguments.format == "json" else words.told(subjects))
    if out is not None:
        from featurediff.habits.chart import habits_chart

        picture = habits_chart(subjects)
        write_atomically(out / "habits.json", lambda path: path.write_text(data + "\n", encoding="ascii"))
        write_atomically(out / "habits.png", lambda path: path.write_bytes(picture))
    return 0
