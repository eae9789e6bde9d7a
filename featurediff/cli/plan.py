"""``featurediff plan``: lengths to start a drawing with."""

from __future__ import annotations

import argparse
import json

from featurediff.errors import CallError


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.cli.check import settings_of
    from featurediff.cli.output import prepare_folder, write_atomically
    from featurediff.installation import check_opencv
    from featurediff.marking.detector import detector_for
    from featurediff.sheet.sizes import parse_length, parse_sheet

    settings = settings_of(arguments)
    if not settings.sheet.size:
        raise CallError("A plan needs the size of the paper.", "Add --sheet, such as --sheet A4.")
    sheet = parse_sheet(settings.sheet.size)
    given = {name: getattr(arguments, name) for name in ("height", "top", "left")}
    given = {f"{name}_mm": parse_length(text) for name, text in given.items() if text is not None}
    detector_for(settings)
    check_opencv()
    out = prepare_folder(arguments.out) if arguments.out is not None else None

    from featurediff.comparison import prepare
    from featurediff.pictures import taking
    from featurediff.planning import words
    from featurediff.planning.plan import make_plan

    reference = prepare(arguments.reference, settings)
    taken = taking(arguments.reference)
    plan = make_plan(
        settings.subject, reference.picture, reference.subject, taken, sheet, orientation=arguments.orientation, **given
    )
    data = json.dumps(words.data(plan), indent=2, allow_nan=False)
    print(data if arguments.format == "json" else words.text(plan))
    if out is not None:
        from featurediff.planning.picture import draw

        picture = draw(plan)
        write_atomically(out / "plan.json", lambda path: path.write_text(data + "\n", encoding="ascii"))
        write_atomically(out / "plan.png", lambda path: path.write_bytes(picture))
    return 0
