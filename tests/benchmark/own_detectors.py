"""The kit's table for each example of a detector of one's own: ``python tests/benchmark/own_detectors.py [--quick] [NAME ...]``.

A detector in one file (hands), a package (lettering), and marks without code (a watering can, a toy boat, a sign). The references
are the shipped ones, which the examples were developed on.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from featurediff.configuration import load_settings
from featurediff.testing.kit import tried
from featurediff.testing.kit.table import text

EXAMPLES = Path(__file__).parents[2] / "demo_cases"
LETTERING = EXAMPLES / "detectors" / "lettering"
LETTERS = LETTERING / "src" / "featurediff_lettering" / "__init__.py"
TRIED = {
    "hands": (EXAMPLES / "detectors" / "hands" / "hands.py", {}),
    "lettering": (LETTERS, load_settings(LETTERING / "settings.yaml").detector),
    "watering-can": (EXAMPLES / "marks" / "watering-can" / "marks.yaml", {}),
    "toy-boat": (EXAMPLES / "marks" / "toy-boat" / "marks.yaml", {}),
    "cot-sign": (EXAMPLES / "marks" / "cot-sign" / "marks.yaml", {}),
}


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(TRIED)}; default all")
    parser.add_argument("--quick", action="store_true", help="three drawings instead of eight")
    arguments = parser.parse_args()
    for name in arguments.names or TRIED:
        target, settings = TRIED[name]
        folder = LETTERING if name == "lettering" else target.parent
        trial = tried(target, [folder / "reference.jpg"], settings=settings, quick=arguments.quick, progress=_progress)
        print(f"== {name}\n{text(trial)}\n", flush=True)


def _progress(what: str) -> None:
    print(f"... {what}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    import os

    # The package need not be installed: it is found by its folder, here and in the processes that try it.
    os.environ["PYTHONPATH"] = os.pathsep.join([str(LETTERING / "src"), *filter(None, [os.environ.get("PYTHONPATH")])])
    main()
