"""``featurediff try``: a detector on simulated drawings of a reference, with checks, a table and advice."""

from __future__ import annotations

import argparse
import json
import sys

from featurediff.cli.terminal import beneath
from featurediff.naming import printable

CHECK_FAILED = 4


def run(arguments: argparse.Namespace) -> int:
    """Run the command; exit status 4 when a check failed. Raises FeaturediffError."""
    from featurediff.cli.output import prepare_folder
    from featurediff.configuration import load_settings
    from featurediff.discovery import find_detectors
    from featurediff.errors import DetectorError
    from featurediff.installation import check_opencv
    from featurediff.layers import user_detectors
    from featurediff.naming import did_you_mean
    from featurediff.testing.kit.run import is_file, tried
    from featurediff.testing.kit.table import text

    settings = load_settings(arguments.config)
    own = user_detectors()
    names = sorted({found.name for found in find_detectors()} | set(own))
    if arguments.target in own:
        arguments.subject, arguments.target = arguments.target, str(own[arguments.target])
    if not is_file(arguments.target) and arguments.target not in names:
        raise DetectorError(
            f"There is no detector '{arguments.target}'{did_you_mean(arguments.target, names, '.')}",
            f"Installed: {', '.join(names) or 'none'}. Name one of them, or a Python file.",
        )
    check_opencv()
    progress = _Progress()
    try:
        trial = tried(
            arguments.target,
            arguments.reference or (),
            settings=settings.detector,
            name=arguments.subject or "",
            quick=arguments.quick,
            verbose=arguments.verbose,
            keep=prepare_folder(arguments.keep) if arguments.keep is not None else None,
            progress=progress,
        )
    finally:
        progress.end()
    print(json.dumps(trial.to_dict(), indent=2, allow_nan=False) if arguments.format == "json" else text(trial))
    if trial.fault and not trial.tables and len(trial.checks) < 2:  # it came no further than being loaded
        return DetectorError.exit_status
    return 0 if trial.passed else CHECK_FAILED


class _Progress:
    """What is being done: one line on a terminal, written over; a line each on anything else that takes what is told."""

    def __init__(self) -> None:
        self._terminal = sys.stderr is not None and sys.stderr.isatty()
        self._stream = beneath(sys.stderr)

    def __call__(self, what: str) -> None:
        if self._terminal:
            print(f"\r\033[K{printable(what[:100])}", end="", file=self._stream, flush=True)
        elif sys.stderr is not None:
            print(f"... {what[:100]}", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Take the line away."""
        if self._terminal:
            print("\r\033[K", end="", file=self._stream, flush=True)
