"""Hostile input: damaged and monstrous pictures, odd names and places, settings, marks, pieces and class folders from elsewhere.

    python tests/benchmark/hostile.py                 # some 5000 cases from seed 100, which is for reporting
    python tests/benchmark/hostile.py --seed 1 --only pieces --show

Asked of every case: compared, or refused in one clear message (README, Limits). Counted as fallen: a traceback or "a fault of
featurediff itself", a process that dies, more than 60 s of processor time, more than 2 GB, a file touched outside what the
command may write ("executed" is one: no case may bring it about), a letter that a terminal obeys, an element of HTML out of a
name. Linux only.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import hostile_cases
from hostile_cases import Good, Made
from hostile_run import MEGABYTES, SECONDS, Outcome, Worker, run

from featurediff.demo import get_demo

COLUMNS = ("tried", "compared", "refused", "fault", "crash", "hang", "memory", "outside", "raw", "markup")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add_options(parser)
    return counts(parser.parse_args())


def add_options(parser) -> None:
    """The options of this benchmark, to a parser or a group of one."""
    parser.add_argument("--seed", type=int, default=100, help="of the damage; below 100 to develop on")
    parser.add_argument("--read", type=int, default=1500, help="damaged pictures that are only read")
    parser.add_argument("--whole", type=int, default=60, help="damaged pictures that are compared")
    parser.add_argument("--count", type=int, default=400, help="damaged settings, marks and pieces, of each")
    parser.add_argument("--only", default="", help="only kinds with one of these words in their name, between commas")
    parser.add_argument("--show", action="store_true", help="print what every case was told")


def counts(options: argparse.Namespace) -> int:
    """Try every case and print the counts; 1 when one has fallen."""
    with tempfile.TemporaryDirectory() as temporary:
        good = made_good(Path(temporary))
        outcomes = list(all_outcomes(good, Path(temporary), options))
    show(outcomes)
    return int(any(fallen(each) for each in outcomes))


def made_good(folder: Path) -> Good:
    """A pair, a piece of two rounds and a class of two sheets."""
    demo = get_demo("faces")
    base = folder / "good"
    (base / "class" / "sheets").mkdir(parents=True)
    shutil.copy(demo.reference, base / "class" / "photo.jpg")
    shutil.copy(demo.drawing, base / "class" / "sheets" / "a.jpg")
    (base / "class" / "sheets" / "b.jpg").write_bytes(demo.drawing.read_bytes() + b"\0")
    faces = ["--subject", "faces", "--sheet", demo.sheet]
    for call in (
        ["check", "class/photo.jpg", "class/sheets/a.jpg", *faces, "--piece", "piece"],
        ["check", "--piece", "piece", "class/sheets/b.jpg"],
        ["check", "class/photo.jpg", "class/sheets", *faces, "--out", "class/out", "--workers", "1"],
    ):
        environment = {**os.environ, "FEATUREDIFF_SETTINGS": ""}
        done = subprocess.run([sys.executable, "-m", "featurediff", *call], cwd=base, env=environment, capture_output=True)
        if done.returncode:
            raise SystemExit(done.stderr.decode())
    return Good(demo, demo.reference.read_bytes(), demo.drawing.read_bytes(), base / "piece", base / "class")


def all_cases(good: Good, options: argparse.Namespace) -> Iterator[Made]:
    """Every case with what puts its files in place."""
    seed, count = options.seed, options.count
    made = itertools.chain(
        hostile_cases.names(good),
        hostile_cases.texts(good, seed, count),
        hostile_cases.pieces(good, seed, count),
        hostile_cases.classes(good, seed, count // 20),
        hostile_cases.largest(good),
        hostile_cases.pictures(good, seed, options.whole, options.read),
    )
    words = options.only.split(",")
    return (each for each in made if any(word in each[0].kind for word in words))


def all_outcomes(good: Good, top: Path, options: argparse.Namespace) -> Iterator[Outcome]:
    """Run every case in a folder of its own, which is taken away afterwards."""
    worker = Worker()
    for number, (case, make) in enumerate(all_cases(good, options), start=1):
        folder = top / f"case-{number}"
        folder.mkdir()
        with contextlib.suppress(OSError, ValueError):  # a name that no file can have: the command is tried all the same
            make(folder)
        outcome = run(case, folder, worker)
        if fallen(outcome) or options.show:
            print(f"\r{one_line(outcome)}", flush=True)
        print(f"\r{number} cases", end="", file=sys.stderr, flush=True)
        shutil.rmtree(folder, ignore_errors=True)
        yield outcome
    worker.close()


def fallen(outcome: Outcome) -> bool:
    """Whether a case did not end as it should."""
    bad = outcome.what in ("fault", "crash", "hang") or outcome.peak_mb > MEGABYTES
    return bad or bool(outcome.outside) or outcome.raw or outcome.markup


def one_line(outcome: Outcome) -> str:
    """A case in a line, its oddities escaped."""
    case, told = outcome.case, outcome.told.strip()
    where = f" outside: {outcome.outside[:3]!a}" if outcome.outside else ""
    marks = " RAW" * outcome.raw + " MARKUP" * outcome.markup
    last = told[-240:] if outcome.what == "fault" else told[:160]
    return (
        f"{outcome.what}{marks}{where}  {case.kind}: {case.name!a:.80} {outcome.seconds:.1f} s {outcome.peak_mb:.0f} MB {last!a}"
    )


def show(outcomes: list[Outcome]) -> None:
    """The table of counts by kind, then the slowest and the largest."""
    print(f"\n\n{'':36s}" + "".join(f"{each:>9s}" for each in COLUMNS))
    kinds = dict.fromkeys(each.case.kind for each in outcomes)
    for kind in (*kinds, "all"):
        rows = [each for each in outcomes if kind in (each.case.kind, "all")]
        counts = [len(rows), *(sum(each.what == what for each in rows) for what in COLUMNS[1:6])]
        counts += [sum(each.peak_mb > MEGABYTES for each in rows), sum(bool(each.outside) for each in rows)]
        counts += [sum(each.raw for each in rows), sum(each.markup for each in rows)]
        print(f"{kind:36s}" + "".join(f"{each:9d}" for each in counts))
    print(f"\nLimits: {SECONDS:.0f} s of processor time and {MEGABYTES:.0f} MB for one command.")
    for what, key in (("slowest", lambda each: each.seconds), ("largest", lambda each: each.peak_mb)):
        print(f"The {what}:")
        for each in sorted(outcomes, key=key, reverse=True)[:5]:
            print(f"  {each.seconds:5.1f} s {each.peak_mb:5.0f} MB  {each.case.kind}: {each.case.name!a:.70} ({each.what})")


if __name__ == "__main__":
    begun = time.monotonic()
    status = main()
    print(f"\n{time.monotonic() - begun:.0f} s in all")
    sys.exit(status)
