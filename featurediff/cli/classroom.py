"""``featurediff check REFERENCE FOLDER``: every sheet of a class against one reference."""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from featurediff.errors import CallError, CompareError

if TYPE_CHECKING:
    from featurediff.classroom.run import Class
    from featurediff.classroom.summary import Summary

_ERRORS_SHOWN = 20


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.cli.check import settings_of
    from featurediff.cli.output import prepare_folder, write_report
    from featurediff.installation import check_opencv
    from featurediff.marking.detector import detector_for

    if arguments.piece is not None:
        raise CallError(f"'{arguments.drawing}' is a folder; a piece takes one photograph at a time.", "Leave --piece out.")
    if arguments.out is None:
        raise CallError("A class needs a folder for its reports.", "Add --out DIR.")
    settings = settings_of(arguments)
    detector_for(settings)
    check_opencv()
    reference = _readable(arguments.reference)
    out = prepare_folder(arguments.out)

    from featurediff.classroom.run import run_class
    from featurediff.classroom.summary import summary_of

    sheets = Path(arguments.drawing)
    try:
        found = run_class(reference, sheets, out, settings, write_report, arguments.workers, arguments.detector or "")
    except KeyboardInterrupt:
        print("Stopped. What is done is kept; the same command goes on with the rest.", file=sys.stderr)
        raise
    summary = summary_of(out, found, settings.subject)
    _write(out, found, summary)
    _print(arguments, out, found, summary)
    if not summary.read:
        raise CompareError("None of these sheets could be compared.", "The reasons stand above.")
    return 0


def _readable(reference: str) -> Path:
    path = Path(reference)
    if not os.path.isfile(path):
        what = f"The reference '{path.name}' is no file." if os.path.exists(path) else f"{path.name}: there is no such file."
        raise CompareError(what, "Name the picture that was drawn from first, then the folder of the sheets.")
    return path


def _write(out: Path, found: Class, summary: Summary) -> None:
    from featurediff.classroom import files, roster
    from featurediff.classroom import summary as told

    text = json.dumps(told.data(summary), indent=2, allow_nan=False) + "\n"
    files.put(out / "class.json", text.encode("ascii"))
    files.put(out / "class.txt", (told.text(summary) + "\n").encode("utf-8"))
    files.put(out / "class.png", told.picture(summary))
    remarks = {number: f"{each.what}: {each.why}" if each.why else each.what for number, each in found.outcomes.items()}
    roster.write_list(out, list(found.entries), remarks)


def _print(arguments: argparse.Namespace, out: Path, found: Class, summary: Summary) -> None:
    from featurediff.classroom import summary as told
    from featurediff.pictures import shown_name

    bad = [(each, found.outcomes[each.number]) for each in found.entries if found.outcomes[each.number].why]
    for entry, outcome in bad[:_ERRORS_SHOWN]:
        remedy = f" {outcome.remedy}" if outcome.remedy else ""
        print(f"Not compared: sheet {entry.number} ({shown_name(entry.picture)}): {outcome.why}{remedy}", file=sys.stderr)
    if len(bad) > _ERRORS_SHOWN:
        print(f"... and {len(bad) - _ERRORS_SHOWN} more; see private/names.txt.", file=sys.stderr)
    if arguments.format == "json":
        print(json.dumps(told.data(summary), indent=2, allow_nan=False))
        return
    print(told.text(summary))
    print(f"\nIn {out}: a folder for each sheet, class.txt, class.json and class.png to share,")
    print("and private/names.txt, which says who is which number: do not pass that on.")
    if arguments.verbose:
        print(f"{found.done_now} of {summary.total} sheets compared in this run", file=sys.stderr)
