"""``featurediff check``: compare one drawing with its reference."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurediff.cli.output import print_report, write_report
from featurediff.errors import CallError

if TYPE_CHECKING:
    from featurediff.records import Report
    from featurediff.settings import Settings


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    if arguments.drawing is not None and os.path.isdir(arguments.drawing):
        from featurediff.cli.classroom import run as run_class

        return run_class(arguments)
    if arguments.workers is not None:
        raise CallError("--workers is for a folder of sheets.", "Leave it out, or name a folder in place of DRAWING.")
    if arguments.piece is not None:
        from featurediff.cli.rounds import run as run_round

        return run_round(arguments)
    if arguments.drawing is None:
        raise CallError("The photograph of the drawing is missing.", "featurediff check REFERENCE DRAWING --subject NAME")
    settings = settings_of(arguments)
    report = compare(arguments.reference, arguments.drawing, settings, arguments.out)
    print_report(report, arguments.format)
    if arguments.verbose:
        print_seconds(report)
    return 0


def settings_of(arguments: argparse.Namespace) -> Settings:
    """The settings of the call, from all places that settings come from (see `featurediff.layers`). Raises CallError.

    A detector file that the user's own settings name for the subject is put in place of --detector.
    """
    from featurediff.configuration import load_settings
    from featurediff.discovery import load_detector, load_detector_file
    from featurediff.handover.known import check_settings
    from featurediff.layers import load_layers

    _check_choice(arguments)
    layered = load_layers(arguments.config, options_of(arguments))
    settings = layered.settings
    if layered.layers[2].there:
        print(f"Settings of this folder are used: {layered.layers[2].path}", file=sys.stderr)
    if arguments.object:
        settings = load_settings(settings, {"detector": {**settings.detector, "objects": list(arguments.object)}})
    if arguments.marks:
        from featurediff.marking.detector import with_marks
        from featurediff.marking.read import read_marks

        return with_marks(settings, read_marks(arguments.marks))
    if not arguments.detector and settings.subject in layered.detectors:
        arguments.detector = str(layered.detectors[settings.subject])
    if arguments.detector:
        # What is drawn by default says nothing about a file that was named now.
        wanted = settings.subject if layered.given("subject") or settings.subject in layered.detectors else ""
        name = load_detector_file(arguments.detector, wanted or None).name
        settings = load_settings(settings, {"subject": name})
    if not settings.subject:
        raise CallError("What is drawn is not said.", "Add --subject NAME ('featurediff subjects' lists them), or --marks FILE.")
    check_settings(load_detector(settings.subject), settings.detector, layered.origins)
    return settings


def options_of(arguments: argparse.Namespace) -> dict[str, Any]:
    """What the call's options set, by dotted name; None where an option was not given."""
    return {
        "subject": arguments.subject,
        "sheet.size": arguments.sheet,
        "sheet.scan": arguments.scan,
        "sheet.px_per_mm": arguments.px_per_mm,
        "lineup.rule": arguments.lineup,
        "corrections.sides": arguments.sides,
    }


def _check_choice(arguments: argparse.Namespace) -> None:
    """Marks say what is drawn and where: nothing else can say it as well."""
    others = [f"--{name}" for name in ("subject", "detector", "object") if getattr(arguments, name)]
    if arguments.marks and others:
        raise CallError(f"--marks and {others[0]} are given at once.", "Leave one of them out: the marks say what is drawn.")


def compare(reference: str | Path, drawing: str | Path, settings: Settings, out: str | Path | None) -> Report:
    """Compare two picture files and write the report's files into ``out``, if given. Raises FeaturediffError."""
    from featurediff.cli.output import prepare_folder
    from featurediff.installation import check_opencv
    from featurediff.marking.detector import detector_for

    detector_for(settings)  # a misspelt subject is told before anything slow begins
    check_opencv()
    folder = prepare_folder(out) if out is not None else None

    from featurediff.comparison import compare as run_comparison

    comparison = run_comparison(reference, drawing, config=settings)
    if folder is not None:
        write_report(comparison, folder, name=Path(drawing).name)
    return comparison.report


def print_seconds(report: Report) -> None:
    """Where the time went, on stderr."""
    for stage, seconds in report.seconds.items():
        print(f"{stage:<16} {seconds:6.2f} s", file=sys.stderr)
