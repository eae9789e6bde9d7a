"""What the benchmarks of drawn and photographed sheets share: options, running every case, and parts of the tables."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path

PERFECT = "perfect"


def add_options(parser: argparse.ArgumentParser, hands: Sequence[str], workers: int) -> None:
    """The options that every such benchmark has; ``hands`` and ``workers`` are the defaults."""
    parser.add_argument("--hands", default=",".join(hands))
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--workers", type=int, default=workers)
    parser.add_argument("--json", type=Path, help="also write every outcome there")


def run_all(run: Callable, todo: Sequence, options: argparse.Namespace, show: Callable[[list], None]) -> int:
    """Run every case of ``todo``, ``show`` the outcomes and keep them as JSON if asked for; the exit status."""
    outcomes = []
    # OpenCV's threads and fork deadlock: spawn.
    with multiprocessing.get_context("spawn").Pool(options.workers) as pool:
        for outcome in pool.imap(run, todo, chunksize=4):
            outcomes.append(outcome)
            print(f"\r{len(outcomes)}/{len(todo)} sheets", end="", file=sys.stderr, flush=True)
    show(outcomes)
    if options.json:
        options.json.write_text(json.dumps([asdict(o) for o in outcomes], indent=1))
    return 0


def show_perfect(done: Sequence) -> None:
    """Print what was listed on perfect copies, by hand and one by one."""
    print("\nPerfect copies: items on the list (none should be)")
    for hand in dict.fromkeys(o.case.hand for o in done):
        perfect = [o for o in done if o.case.move == PERFECT and o.case.hand == hand]
        if perfect:
            print(f"  {hand:10s} {sum(len(o.items) for o in perfect)} items on {len(perfect)} sheets")
            for o in perfect:
                for text in o.items:
                    print(f"      {o.case.scene}: {text}")


def show_failures(outcomes: Sequence, scene: Callable = lambda case: case.scene) -> None:
    """Print which cases were not compared, and why."""
    print("\nNot compared")
    for o in outcomes:
        if o.failure:
            print(f"  {scene(o.case)} {o.case.hand} {o.case.move}: {o.failure}")


def first_hit(items: Sequence[str], words: Sequence[str], amount: float | None, unit: str) -> tuple[str, bool]:
    """The first item that holds one of "a|b" of every word, and whether a number with that unit in it is near the amount."""
    for text in items:
        low = text.lower()
        if all(any(either in low for either in word.split("|")) for word in words):
            numbers = [float(n) for n in re.findall(rf"(\d+(?:\.\d+)?) {unit.removesuffix('s')}", text)]
            return text, amount is None or any(abs(n - amount) <= max(0.5, 0.15 * amount) for n in numbers)
    return "", False
