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
    _add_habits(commands)
    _add_plan(commands)
    _add_mark(commands)
    _add_config(commands)
    _add_subjects(commands)
    _add_demo(commands)
    _add_try(commands)
    _add_new_detector(commands)
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
        description="Compare the photograph of a pencil drawing with its reference photo and list what to fix. With a folder of "
        "photographs in place of DRAWING: compare every sheet of a class, and tell what the sheets have in common.",
        epilog=EXIT_STATUS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    check.add_argument(
        "reference", metavar="REFERENCE", help="the picture that is drawn from; left out from the second round of a piece on"
    )
    check.add_argument("drawing", metavar="DRAWING", nargs="?", help="a photograph of the whole sheet, or a folder of such")
    check.add_argument("--subject", metavar="NAME", help="what is drawn: faces, architecture, ... (see 'featurediff subjects')")
    check.add_argument("--detector", metavar="FILE", help="a Python file that holds a detector, instead of an installed one")
    _add_marks(check)
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
    _add_object(check)
    check.add_argument("--config", metavar="FILE", help="settings (YAML), or the name of a preset such as faces-a4")
    check.add_argument("--format", choices=("text", "json"), default="text", help="how to print the result (default: text)")
    check.add_argument(
        "--sides",
        choices=("picture", "sitter"),
        help="name left and right as seen on the paper (default), or by the sitter's own side; directions are always the paper's",
    )
    check.add_argument(
        "--workers", type=_whole, metavar="N", help="for a folder: how many sheets to compare at once (default: one a core)"
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


def _add_habits(commands: argparse._SubParsersAction) -> None:
    habits = commands.add_parser(
        "habits",
        help="what your drawings have in common",
        description="Tell what the first, uncorrected drawings of many pieces have in common: eyes high, head narrow, leaning "
        "left. From four drawings on, and only what stands out against chance. Each subject by itself.",
        allow_abbrev=False,
    )
    habits.add_argument("pieces", metavar="DIR", nargs="+", help="the folder of a piece, or one that holds several")
    habits.add_argument("--format", choices=("text", "json"), default="text", help="how to print the habits (default: text)")
    habits.add_argument("--out", metavar="DIR", help="also write habits.json and the chart habits.png into this folder")
    _add_verbose(habits)


def _add_plan(commands: argparse._SubParsersAction) -> None:
    plan = commands.add_parser(
        "plan",
        help="lengths to start a drawing with",
        description="Print the few lengths to start a freehand drawing with, where the subject sits on the sheet, plumb and "
        "level relations, and what is doubtful about the reference. Numbers only: no grid, no outline.",
        allow_abbrev=False,
    )
    plan.add_argument("reference", metavar="REFERENCE", help="the picture to draw from")
    plan.add_argument("--subject", metavar="NAME", help="what is drawn: faces, architecture, ... (see 'featurediff subjects')")
    plan.add_argument("--detector", metavar="FILE", help="a Python file that holds a detector, instead of an installed one")
    _add_marks(plan)
    plan.add_argument("--sheet", metavar="SIZE", help=f"the paper: {SHEETS}")
    plan.add_argument(
        "--height",
        metavar="LENGTH",
        help="how high the subject is to be on the paper, such as 160mm; of a face this is the head from crown to chin "
        "(default: the largest that leaves some air around the whole picture)",
    )
    plan.add_argument("--top", metavar="LENGTH", help="free paper above all that is drawn (default: the picture is centred)")
    plan.add_argument("--left", metavar="LENGTH", help="free paper left of all that is drawn (default: the picture is centred)")
    plan.add_argument("--orientation", choices=("upright", "landscape"), help="how the sheet lies (default: as the picture does)")
    _add_object(plan)
    plan.add_argument("--config", metavar="FILE", help="settings (YAML), or the name of a preset such as faces-a4")
    plan.add_argument("--format", choices=("text", "json"), default="text", help="how to print the plan (default: text)")
    plan.add_argument("--out", metavar="DIR", help="also write plan.json and plan.png, the plan drawn, into this folder")
    plan.set_defaults(scan=None, px_per_mm=None, lineup=None, sides=None)
    _add_verbose(plan)


def _add_mark(commands: argparse._SubParsersAction) -> None:
    mark = commands.add_parser(
        "mark",
        help="mark features on a reference yourself, with no code",
        description="Open a page, seen on this machine only, on which you name and click points, lines, curves and ellipses on "
        "the reference. They are saved as a marks file for 'featurediff check --marks FILE'. An existing one is continued.",
        allow_abbrev=False,
    )
    mark.add_argument("reference", metavar="REFERENCE", help="the picture to draw from")
    mark.add_argument("--out", metavar="FILE", help="the marks file (default: the reference's name with .marks.yaml, beside it)")
    mark.add_argument("--no-browser", action="store_true", help="only print the page's address")
    _add_verbose(mark)


def _add_config(commands: argparse._SubParsersAction) -> None:
    config = commands.add_parser(
        "config",
        help="show the settings that hold, and where they come from",
        description="Print every setting as it holds in this folder. Settings come from featurediff's own defaults, from your "
        "own file, from featurediff.yaml in this folder, from the file after --config, and from options; later ones win.",
        allow_abbrev=False,
    )
    config.add_argument("--where", action="store_true", help="say which file, and which line of it, each setting came from")
    config.add_argument("--config", metavar="FILE", help="as for check: settings (YAML), or the name of a preset")
    config.add_argument("--subject", metavar="NAME", help="as for check")
    config.add_argument("--sheet", metavar="SIZE", help="as for check")
    config.add_argument("--lineup", metavar="RULE", help="as for check")
    config.add_argument("--sides", choices=("picture", "sitter"), help="as for check")
    config.set_defaults(scan=None, px_per_mm=None)
    _add_verbose(config)


def _add_marks(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--marks", metavar="FILE", help="what you marked on the reference yourself (see 'featurediff mark'), instead of a subject"
    )


def _add_object(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--object",
        action="append",
        metavar="NAME:X,Y,WIDTH,HEIGHT",
        help="a thing on the reference and the box around it in px from the top left, for subjects made of several things; "
        "may be given several times",
    )


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


def _add_try(commands: argparse._SubParsersAction) -> None:
    trying = commands.add_parser(
        "try",
        help="try a detector on simulated drawings",
        description="Run a detector on simulated drawings of a reference whose errors are known. Prints checks by name, and for "
        "each feature how often it was found, its gain (measured over true move; 1 is right), its error in mm, false items on "
        "perfect copies, and advice. The detector is code and runs with your rights, in a process of its own.",
        epilog="exit status:\n  0  every check passed\n  2  wrong call, or a detector that can't be used\n  4  a check failed",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    trying.add_argument("target", metavar="FILE_OR_NAME", help="a Python file, a marks file, or a detector's name")
    trying.add_argument(
        "--reference",
        action="append",
        metavar="PICTURE",
        help="a picture to try it on, may be given several times (without it: a rendered scene on which it finds its subject)",
    )
    trying.add_argument("--subject", metavar="NAME", help="which detector, if the file offers several")
    trying.add_argument("--config", metavar="FILE", help="settings (YAML); its 'detector' block is handed to the detector")
    trying.add_argument("--quick", action="store_true", help="fewer and smaller tries")
    trying.add_argument("--keep", metavar="DIR", help="write pictures of the drawings there: what is true and what was found")
    trying.add_argument("--format", choices=("text", "json"), default="text", help="how to print the result (default: text)")
    _add_verbose(trying)


def _add_new_detector(commands: argparse._SubParsersAction) -> None:
    new = commands.add_parser(
        "new-detector",
        help="begin a detector of your own",
        description="Write a small working detector as a package of its own, with words, tests and README, into a new folder.",
        allow_abbrev=False,
    )
    new.add_argument("name", metavar="NAME", help="what is typed after --subject: small letters, digits and single hyphens")
    new.add_argument("--into", metavar="DIR", default=".", help="the folder to put its folder into (default: here)")
    _add_verbose(new)


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


def _whole(text: str) -> int:
    if not text.isdecimal() or not 0 < int(text) <= 1000:
        raise argparse.ArgumentTypeError(f"'{text}' is no whole number from 1 to 1000")
    return int(text)
