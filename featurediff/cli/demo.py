"""``featurediff demo``: run a shipped example and show the answer it should give."""

from __future__ import annotations

import argparse

from featurediff.cli.check import compare, print_seconds
from featurediff.cli.output import print_report
from featurediff.demo import find_demos, get_demo


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    if arguments.name is None:
        for demo in find_demos():
            print(f"{demo.name}: {demo.title}")
        return 0
    from featurediff.configuration import load_settings

    demo = get_demo(arguments.name)
    options: dict = {"subject": demo.subject, "sheet.size": demo.sheet}
    if demo.objects:
        options["detector"] = {"objects": list(demo.objects)}
    settings = load_settings(None, options)
    if demo.detector is not None:
        from featurediff.discovery import load_detector_file

        settings = load_settings(settings, {"subject": load_detector_file(demo.detector).name})
    if demo.marks is not None:
        from featurediff.marking.detector import with_marks
        from featurediff.marking.read import read_marks

        settings = with_marks(settings, read_marks(demo.marks))
    if arguments.format == "text":
        print(f"{demo.title}\n{demo.story}")
        if demo.objects:
            print("Its things are named by boxes on the reference: " + " ".join(f'--object "{each}"' for each in demo.objects))
        print()
    report = compare(demo.reference, demo.drawing, settings, arguments.out)
    print_report(report, arguments.format)
    if arguments.format == "text":
        print("\nWhat was put wrong in this drawing on purpose:")
        for line in demo.expected:
            print(f"  - {line}")
    if arguments.verbose:
        print_seconds(report)
    return 0
