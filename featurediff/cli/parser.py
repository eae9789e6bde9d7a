"""The words of the command line."""

from __future__ import annotations

import argparse
import math

import featurediff

EXIT_STATUS = """exit status:
  0  compared
  2  wrong call
  3  the pictures can't be compared; the reason and the remedy are on stderr"""

SHEETS = "A5, A4, A3, Letter, full, half or quarter imperial, 9x12in, 12x16in, or any size such as 280x380mm or 11x15in"


def build_parser() -> argparse.ArgumentParser:
    """The parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="featurediff",
        description="Compare a freehand pencil drawing with its reference photo: what to fix, in millimetres on the paper.",
        epilog=EXIT_STATUS + "\n\nTry it: featurediff demo faces",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"featurediff {featurediff.__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=_AnyOrder)
    _add_check(commands)
    _add_keep(commands)
    _add_progress(commands)
    _add_subjects(commands)
    _add_demo(commands)
    return parser


class _AnyOrder(argparse.ArgumentParser):
    """A parser whose pictures and folders may stand anywhere among the options, one that may be left out as well."""

    _inside = False

    def parse_known_args(self, args=None, namespace=None):
        """See argparse; the parsing in two passes calls this method itself."""
        if self._inside:
            return super().parse_known_args(args, namespace)
        self._inside = True
        try:
            return self.parse_known_intermixed_args(args, namespace)
        finally:
            self._inside = False


def _add_check(commands: argparse._SubParsersAction) -> None:
    check = commands.add_parser(
        "check",
        help="compare a drawing with its reference",
        description="Compare the photograph of a pencil drawing with its reference photo and list what to fix.",
        epilog=EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    check.add_argument(
        "reference", metavar="REFERENCE", help="the picture that is drawn from; left out from the second round of a piece on"
    )
    check.add_argument("drawing", metavar="DRAWING", nargs="?", help="a photograph of the whole sheet")
    check.add_argument("--subject", metavar="NAME", help="what is drawn: faces, architecture, ... (see 'featurediff subjects')")
    check.add_argument("--detector", metavar="FILE", help="a Python file that holds a detector, instead of an installed one")
    check.add_argument("--sheet", metavar="SIZE", help=f"the paper: {SHEETS}")
    check.add_argument(
        "--scan", action="store_true", default=None, help="DRAWING shows the sheet edge to edge, as a scanner does"
    )
    check.add_argument(
        "--px-per-mm", type=_positive, metavar="N", help="DRAWING's resolution, when its sheet edges can't be seen"
    )
    check.add_argument(
        "--lineup",
        metavar="RULE",
        help="lay the reference on the drawing so that the fewest things need changing ('fewest', the default), by the 'eyes', "
        "or by two features: NAME,NAME",
    )
    check.add_argument(
        "--object",
        action="append",
        metavar="NAME:X,Y,WIDTH,HEIGHT",
        help="a thing on the reference and the box around it in px from the top left, for subjects made of several things; "
        "may be given several times",
    )
    check.add_argument("--config", metavar="FILE", help="settings (YAML), or the name of a preset such as faces-a4")
    check.add_argument("--format", choices=("text", "json"), default="text", help="how to print the result (default: text)")
    check.add_argument(
        "--sides",
        choices=("picture", "sitter"),
        help="name left and right as seen on the paper (default), or by the sitter's own side; directions are always the paper's",
    )
    check.add_argument(
        "--piece",
        metavar="DIR",
        help="follow this drawing over its rounds: the folder keeps reference, settings and each round, and later "
        "'featurediff check --piece DIR DRAWING' is enough",
    )
    _add_out(check)
    _add_verbose(check)


def _add_keep(commands: argparse._SubParsersAction) -> None:
    keep = commands.add_parser(
        "keep",
        help="leave an item of a piece as it is drawn",
        description="Say that you drew an item of the latest list so on purpose. It is not listed again until it moves by more "
        "than its limit. Without ITEM: list what is kept.",
        allow_abbrev=False,
    )
    keep.add_argument("piece", metavar="DIR", help="the folder of the piece")
    keep.add_argument("item", metavar="ITEM", nargs="?", help="its number in the latest list, or the feature it is about")
    keep.add_argument(
        "--take-back", action="store_true", help="keep it no longer; ITEM is its number among the kept, or the feature"
    )
    _add_verbose(keep)


def _add_progress(commands: argparse._SubParsersAction) -> None:
    progress = commands.add_parser(
        "progress",
        help="show the rounds of a piece",
        description="Print the rounds of a piece and write them side by side into progress.jpg in its folder.",
        allow_abbrev=False,
    )
    progress.add_argument("piece", metavar="DIR", help="the folder of the piece")
    progress.add_argument("--format", choices=("text", "json"), default="text", help="how to print the rounds (default: text)")
    progress.add_argument("--out", metavar="DIR", help="write progress.jpg into this folder instead")
    _add_verbose(progress)


def _add_subjects(commands: argparse._SubParsersAction) -> None:
    subjects = commands.add_parser(
        "subjects",
        help="list the detectors: what can be compared",
        description="List the detectors found, where each came from and what it can judge.",
        allow_abbrev=False,
    )
    subjects.add_argument("--detector", metavar="FILE", help="list the detector in this Python file as well")
    _add_verbose(subjects)


def _add_demo(commands: argparse._SubParsersAction) -> None:
    demo = commands.add_parser(
        "demo",
        help="run a shipped example",
        description="Compare a shipped drawing with its reference and print the answer it should give below the result.",
        allow_abbrev=False,
    )
    demo.add_argument("name", metavar="NAME", nargs="?", help="which example (without it: list them)")
    demo.add_argument("--format", choices=("text", "json"), default="text", help="how to print the result (default: text)")
    _add_out(demo)
    _add_verbose(demo)


def _add_out(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--out", metavar="DIR", help="also write report.html (to read and print), report.json and report.png into this folder"
    )


def _add_verbose(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--verbose", action="store_true", help="show where the time went, and tracebacks of failures")


def _positive(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"'{text}' is no number above 0")
    return number
