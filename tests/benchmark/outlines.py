"""General outlines on simulated sheets: dents and bumps of a shoe, a bird, a gourd told or not, by hand; and false items.

    python tests/benchmark/outlines.py                     # things kept for reporting (seeds 100 and above)
    python tests/benchmark/outlines.py --scenes 1,2,3      # things to develop on

Each case is a rendered thing without ellipse or axis (`featurediff.testing.silhouettes`), drawn with one dent of known depth and
length at a random place, or none, photographed on a floor and compared without boxes. A4, 160 mm high, less where it is wide. A
dent counts as told when an item moves an outline the right way by the right amount (within 1 mm or a third), at a point within
10 mm of it.
"""

from __future__ import annotations

import argparse
import re
import sys
from dataclasses import dataclass, field

import numpy as np
from sheets import PERFECT, add_options, run_all, show_failures, show_perfect

HANDS = ("clean", "restated", "hatched", "tonal")
REPORT_SCENES = (100, 101, 102)
SHEET_MM = (297.0, 210.0)
HIGH_MM, WIDE_MM = 160.0, 230.0
# Depth (out; in, if negative) and length, mm.
DENTS = ((3.0, 12.0), (-3.0, 20.0), (4.5, 25.0), (-4.0, 15.0), (3.0, 30.0))
FLOORS = ("wood", "cloth", "tile", "dark", "boards")
NEAR_MM = 10.0


@dataclass(frozen=True)
class Case:
    """One sheet. ``move``: "perfect", or "3 mm over 12"; ``at``: share of the outline at which the dent lies."""

    scene: int
    hand: str
    move: str
    depth: float = 0.0
    long: float = 0.0
    at: float = 0.0
    seed: int = 0
    floor: str = "wood"


@dataclass
class Outcome:
    """What came of a case. ``told``: the item about the dent, with its amount in mm; ``places``: where each item lies, mm."""

    case: Case
    failure: str = ""
    items: list[str] = field(default_factory=list)
    later: list[str] = field(default_factory=list)
    told: str = ""
    amount: float = 0.0


def run(case: Case) -> Outcome:
    """Draw, photograph, compare."""
    import cv2

    from featurediff.comparison import compare
    from featurediff.errors import CompareError
    from featurediff.testing.camera import photograph
    from featurediff.testing.hands import draw, place
    from featurediff.testing.silhouettes import dented, rendered_silhouette

    cv2.setNumThreads(1)
    scene = rendered_silhouette(case.scene)
    outline = next(line for name, line in scene.curves.items() if name.endswith(": outline"))
    high = min(HIGH_MM, WIDE_MM * scene.size_px / float(np.ptp(outline[:, 0])))
    placement = place(scene, SHEET_MM, high, centre=(148.5, 105.0))
    try:
        warp = dented(scene, placement.mm_per_px, case.at, case.depth, case.long) if case.depth else None
    except ValueError as error:
        return Outcome(case, failure=f"not drawn: {error}")
    drawing = draw(scene, warp, hand=case.hand, placement=placement, seed=case.seed)
    photo = photograph(
        drawing,
        tilt_deg=2.0,
        tilt_axis_deg=37.0 * case.seed,
        floor=case.floor,
        turn_deg=1.5 * ((case.seed % 5) - 2),
        seed=case.seed,
    )
    outcome = Outcome(case)
    try:
        report = compare(scene.pixels, photo.pixels, "still-life", sheet="{:.1f}x{:.1f}mm".format(*SHEET_MM)).report
    except CompareError as error:
        outcome.failure = str(error)
        return outcome
    outcome.items, outcome.later = ([each.text for each in some] for some in (report.corrections, report.later))
    if case.depth:
        dent = drawing.true_mm(outline[[int(case.at * (len(outline) - 2))]])[0]
        _look(report.corrections, dent, case, outcome)
    return outcome


def _look(corrections, dent: np.ndarray, case: Case, outcome: Outcome) -> None:
    way = "in" if case.depth > 0 else "out"
    for each in corrections:
        said = re.search(rf"[Mm]ove .* {way} (\d+(?:\.\d+)?) mm", each.text)
        if said and each.at_mm is not None and np.hypot(*(np.asarray(each.at_mm) - dent)) < NEAR_MM:
            amount = float(said[1])
            if abs(amount - abs(case.depth)) <= max(1.0, abs(case.depth) / 3):
                outcome.told, outcome.amount = each.text, amount
                return


def cases(seeds: list[int], hands: list[str], copies: int) -> list[Case]:
    """Every dent at a place of its own on each thing in each hand, and ``copies`` perfect copies."""
    found = []
    for s, scene in enumerate(seeds):
        places = np.random.default_rng(1000 + scene)
        for h, hand in enumerate(hands):
            for k in range(copies):
                seed = 100 * s + 10 * h + k
                found.append(Case(scene, hand, PERFECT, seed=seed, floor=FLOORS[seed % 5]))
            for k, (depth, long) in enumerate(DENTS):
                seed = 100 * s + 10 * h + k
                move = f"{abs(depth):g} mm {'out' if depth > 0 else 'in'} over {long:g} mm"
                found.append(Case(scene, hand, move, depth, long, float(places.uniform()), seed, FLOORS[k % 5]))
    return found


def show(outcomes: list[Outcome]) -> None:
    """Print the tables."""
    done = [o for o in outcomes if not o.failure]
    show_perfect(done)
    dents = [o for o in done if o.case.depth]
    print("\nDents: told / drawn; mean of told less true depth, mm; further items (mean)")
    for label, some in (
        *((hand, [o for o in dents if o.case.hand == hand]) for hand in dict.fromkeys(o.case.hand for o in dents)),
        *((move, [o for o in dents if o.case.move == move]) for move in dict.fromkeys(o.case.move for o in dents)),
        ("all", dents),
    ):
        if some:
            off = [o.amount - abs(o.case.depth) for o in some if o.told]
            extra = np.mean([len(o.items) - bool(o.told) for o in some])
            print(f"  {label:24s} {len(off)}/{len(some)}  {np.mean(off) if off else 0:+.1f}  {extra:.1f}")
    for o in dents:
        if len(o.items) > bool(o.told):
            print(f"      {o.case.scene} {o.case.hand} {o.case.move}: {[text for text in o.items if text != o.told]}")
    show_failures(outcomes)


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", default=",".join(map(str, REPORT_SCENES)), help="seeds")
    parser.add_argument("--copies", type=int, default=1, help="perfect copies of each thing in each hand")
    add_options(parser, HANDS, 1)
    options = parser.parse_args()
    seeds, hands = [int(s) for s in options.scenes.split(",")], options.hands.split(",")
    if options.quick:
        seeds, hands = seeds[:1], hands[:2]
    return run_all(run, cases(seeds, hands, options.copies), options, show)


if __name__ == "__main__":
    sys.exit(main())
