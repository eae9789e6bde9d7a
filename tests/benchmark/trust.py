"""How far featurediff can be trusted: difficult captures, stated against true doubt, the same sheet again, hostile files.

    python tests/benchmark/trust.py                            # all tables, on scenes kept for reporting (seeds 100 and above)
    python tests/benchmark/trust.py --quick --scenes 3 --seed 1    # a look at each, on a scene to develop on: some minutes
    python tests/benchmark/trust.py captures --scenes 21       # one part
    python tests/benchmark/trust.py captures --cases tape,curl
    python tests/benchmark/trust.py --worst FOLDER             # also the ten worst captures as pictures

Parts, each with a table: captures, doubt (with "how sure"), steady, hostile (as `hostile.py` by itself); "all" is the default.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import hostile
import trust_captures
import trust_doubt
import trust_steady
from trust_worst import write_worst

PARTS = ("captures", "doubt", "steady", "hostile")
# What --quick leaves: of captures these cases, of doubt hands and one mistake in so many, photographs, hostile cases.
QUICK = {
    "cases": "tape,glare,lens,blank", "hands": "clean,tonal", "mistakes": 6, "repeats": 3, "read": 60, "whole": 2, "count": 10
}  # fmt: skip


def main() -> int:
    """Run the benchmark; 1 when a hostile file had its way."""
    options = _options()
    scenes = [int(seed) for seed in options.scenes.split(",")]
    subjects = [name for name in options.subjects.split(",") if name]
    bad, status = [], 0
    if "captures" in options.parts:
        done = trust_captures.captures([n for n in options.cases.split(",") if n], subjects or ["faces"], scenes, options.workers)
        trust_captures.show(done)
        bad += [each.bad for each in done if each.bad is not None]
    if "doubt" in options.parts:
        subject_names, hands = subjects or trust_doubt.SUBJECTS, options.hands.split(",")
        todo = trust_doubt.jobs(subject_names, scenes, hands, options.scan, options.mistakes)
        trust_doubt.show(trust_doubt.doubts(todo, options.workers, options.keep))
    if "steady" in options.parts:
        todo = trust_steady.jobs(subjects or trust_steady.SUBJECTS, scenes, options.repeats)
        trust_steady.show(trust_steady.repeats(todo, options.workers))
    if "hostile" in options.parts:
        status = hostile.counts(options)
    if options.worst:
        write_worst(bad, options.worst)
    return status


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", default="all", choices=[*PARTS, "all"], metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--scenes", default="102,105", help="seeds")
    parser.add_argument("--subjects", default="", help="with commas between; captures are of faces alone by default")
    parser.add_argument("--quick", action="store_true", help="a few cases of each part")
    parser.add_argument("--workers", type=int, default=1)
    captures = parser.add_argument_group("captures")
    captures.add_argument("--cases", default="", help="words from the names of captures, with commas between")
    captures.add_argument("--worst", type=Path, help="write the ten worst cases there as pictures")
    doubt = parser.add_argument_group("doubt")
    doubt.add_argument("--hands", default=",".join(trust_doubt.HANDS))
    doubt.add_argument("--scan", action="store_true", help="sheets as scans, without a camera")
    doubt.add_argument("--mistakes", type=int, default=3, help="draw one in so many of the known mistakes; 0: true copies only")
    doubt.add_argument("--keep", type=Path, help="keep what was measured in this file, for trust_fit.py")
    steady = parser.add_argument_group("steady")
    steady.add_argument("--repeats", type=int, default=10, help="photographs of each sheet")
    hostile.add_options(parser.add_argument_group("hostile"))
    options = parser.parse_args()
    if options.quick:
        for name, value in QUICK.items():
            if getattr(options, name) == parser.get_default(name):
                setattr(options, name, value)
    if "all" in options.parts:
        options.parts = PARTS
    return options


if __name__ == "__main__":
    sys.exit(main())
