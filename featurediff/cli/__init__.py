"""The command line. `main` parses, runs one command and turns every failure into one sentence and an exit status.

Exit status: 0 compared, 2 wrong call, 3 the pictures can't be compared, 1 a fault of featurediff itself, 130 interrupted,
141 the reader of the output went away. Nothing heavy is imported before a command needs it.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Sequence

from featurediff.cli.interrupt import orderly_interrupt
from featurediff.cli.parser import build_parser
from featurediff.cli.terminal import plain_output
from featurediff.errors import FeaturediffError

FAULT, INTERRUPTED, PIPE_CLOSED = 1, 130, 141


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line ``argv`` (default: the process's own) and return the exit status."""
    with plain_output(), orderly_interrupt():
        return _main(argv)


def _main(argv: Sequence[str] | None) -> int:
    arguments = None
    try:
        arguments = build_parser().parse_args(argv)
        return _flushed(_run(arguments))
    except SystemExit as stop:  # argparse: --help and --version (0), a wrong call (2)
        return _flushed(stop.code if isinstance(stop.code, int) else 2)
    except BrokenPipeError:
        return _give_up_output(PIPE_CLOSED)
    except KeyboardInterrupt:
        print("Interrupted.", file=sys.stderr)
        return INTERRUPTED
    except Exception as error:
        return _tell(error, verbose=getattr(arguments, "verbose", False))


def _run(arguments) -> int:
    if arguments.command == "check":
        from featurediff.cli.check import run
    elif arguments.command == "subjects":
        from featurediff.cli.subjects import run
    elif arguments.command == "keep":
        from featurediff.cli.keep import run
    elif arguments.command == "progress":
        from featurediff.cli.progress import run
    elif arguments.command == "habits":
        from featurediff.cli.habits import run
    elif arguments.command == "plan":
        from featurediff.cli.plan import run
    elif arguments.command == "config":
        from featurediff.cli.config import run
    elif arguments.command == "mark":
        from featurediff.cli.mark import run
    elif arguments.command == "try":
        from featurediff.cli.trying import run
    elif arguments.command == "new-detector":
        from featurediff.cli.new_detector import run
    else:
        from featurediff.cli.demo import run
    return run(arguments)


def _tell(error: Exception, verbose: bool) -> int:
    """Print what went wrong and what to do, on stderr; the traceback only when asked for."""
    if verbose:
        import traceback

        traceback.print_exception(error)
    if not isinstance(error, FeaturediffError):
        from featurediff.installation import explain

        error = explain(error) or error
    if isinstance(error, FeaturediffError):
        print(f"featurediff: {error.what}", file=sys.stderr)
        if error.remedy:
            print(error.remedy, file=sys.stderr)
        return error.exit_status
    if isinstance(error, MemoryError):
        print("featurediff: The memory is not enough for these pictures.\nExport them smaller and try again.", file=sys.stderr)
        return FeaturediffError.exit_status
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        print("featurediff: There is no space left to write to.", file=sys.stderr)
        return FeaturediffError.exit_status
    print(f"featurediff: A fault of featurediff itself: {type(error).__name__}: {error}", file=sys.stderr)
    print("Run it again with --verbose and report what it prints.", file=sys.stderr)
    return FAULT


def _flushed(status: int) -> int:
    """Send off what was printed, so that a full disk or a closed pipe is noticed here and not while Python ends."""
    try:
        if sys.stdout is not None:  # None: the caller closed it
            sys.stdout.flush()
    except BrokenPipeError:
        return _give_up_output(PIPE_CLOSED)
    except OSError as error:
        return _give_up_output(_tell(error, verbose=False))
    return status


def _give_up_output(status: int) -> int:
    # Python flushes stdout once more at exit; without this it would complain then.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return status
