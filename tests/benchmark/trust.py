"""How far featurediff can be trusted: difficult captures, stated against true doubt, the same sheet photographed again.

    python tests/benchmark/trust.py                            # all tables, on scenes kept for reporting (seeds 100 and above)
    python tests/benchmark/trust.py captures --scenes 21       # one part, on a scene to develop on
    python tests/benchmark/trust.py captures --cases tape,curl
    python tests/benchmark/trust.py --worst FOLDER             # also the ten worst cases as pictures

Parts: captures, doubt, steady.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import trust_captures
import trust_doubt
import trust_steady
from trust_worst import write_worst

PARTS = ("captures", "doubt", "steady")


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", default=PARTS, help=", ".join(PARTS))
    parser.add_argument("--scenes", default="102,105", help="seeds")
    parser.add_argument("--subjects", default="", help="with commas between; captures are of faces alone by default")
    parser.add_argument("--hands", default=",".join(trust_doubt.HANDS))
    parser.add_argument("--scan", action="store_true", help="doubt: true copies as scans, without a camera")
    parser.add_argument("--repeats", type=int, default=10, help="photographs of each sheet, of steady")
    parser.add_argument("--keep", type=Path, help="keep what doubt measured in this file, for trust_fit.py")
    parser.add_argument("--cases", default="", help="words from the names of captures, with commas between")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--worst", type=Path, help="write the ten worst cases there as pictures")
    options = parser.parse_args()
    scenes = [int(seed) for seed in options.scenes.split(",")]
    subjects = [name for name in options.subjects.split(",") if name]
    bad = []
    if "captures" in options.parts:
        done = trust_captures.captures([n for n in options.cases.split(",") if n], subjects or ["faces"], scenes, options.workers)
        trust_captures.show(done)
        bad += [each.bad for each in done if each.bad is not None]
    if "doubt" in options.parts:
        todo = trust_doubt.jobs(subjects or trust_doubt.SUBJECTS, scenes, options.hands.split(","), options.scan)
        trust_doubt.show(trust_doubt.doubts(todo, options.workers, options.keep))
    if "steady" in options.parts:
        todo = trust_steady.jobs(subjects or trust_steady.SUBJECTS, scenes, options.repeats)
        trust_steady.show(trust_steady.repeats(todo, options.workers))
    if options.worst:
        write_worst(bad, options.worst)
    return 0


if __name__ == "__main__":
    sys.exit(main())
