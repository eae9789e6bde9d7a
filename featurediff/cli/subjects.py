"""``featurediff subjects``: the detectors, where each came from and what it can judge."""

from __future__ import annotations

import argparse
import os
import textwrap
import traceback
from typing import TYPE_CHECKING

from featurediff.discovery import find_detectors, load_detector_file, load_found
from featurediff.errors import DetectorError

if TYPE_CHECKING:
    from featurediff.api import Detector


def run(arguments: argparse.Namespace) -> int:
    """Run the command. A faulty detector is listed with its fault; it does not hide the others."""
    found = find_detectors()
    if not found:
        print("No detector is installed. Install featurediff again: pip install .")
    for entry in found:
        try:
            _show(load_found(entry), entry.origin)
        except DetectorError as error:
            _show_fault(entry.name, error, entry.origin, arguments.verbose)
    _show_own()
    if arguments.detector:
        _show(load_detector_file(arguments.detector), f"the file {arguments.detector}")
    return 0


def _show_own() -> None:
    """What the user's own settings name, without running it: a list must not run anybody's file."""
    from featurediff.layers import user_detectors, user_file

    for subject, path in user_detectors().items():
        missing = "" if os.path.isfile(path) else " (not there)"
        print(f"{subject}: your own\n  from: the file {path}{missing}, named in {user_file()}")


def _show(detector: Detector, origin: str) -> None:
    print(f"{detector.name}: {detector.title}" if detector.title else detector.name)
    if detector.judges:
        print(textwrap.fill(f"judges: {', '.join(detector.judges)}", 100, initial_indent="  ", subsequent_indent="    "))
    for name, meaning in (detector.settings or {}).items():
        print(textwrap.fill(f"setting {name}: {meaning}", 100, initial_indent="  ", subsequent_indent="    "))
    print(f"  from: {origin}")


def _show_fault(name: str, error: DetectorError, origin: str, verbose: bool) -> None:
    print(f"{name}: CAN'T BE USED")
    print(textwrap.fill(str(error), 100, initial_indent="  ", subsequent_indent="    "))
    print(f"  from: {origin}")
    if verbose:
        print(textwrap.indent("".join(traceback.format_exception(error)), "  "))
