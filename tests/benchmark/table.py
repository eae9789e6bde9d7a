"""Still lifes on simulated sheets whose every error is known: outlines, rims and axes, false and missed items, by hand.

    python tests/benchmark/table.py                    # tables kept for reporting (seeds 100 and above)
    python tests/benchmark/table.py --scenes 1,2,3     # tables to develop on
    python tests/benchmark/table.py --automatic        # the things separated without the artist's boxes
    python tests/benchmark/table.py --quick            # two tables, two hands
    python tests/benchmark/table.py --move perfect --copies 10    # this case only, drawn so many times in each hand

Each case is a rendered table, drawn by the simulator with one known mistake or none, photographed lying on a floor, and compared
by `featurediff.check` as an artist would, who has named the things by boxes. A4, the group 160 mm high (less where it would not
fit). "outline" is the distance in mm of located points of outlines from where those points truly are, across the line; "openness"
the difference of short to long axis of the located and the true rim; "lean" that of the axis, as told, in degrees. "false" are
items on perfect copies.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field, replace

import numpy as np
from sheets import PERFECT, add_options, first_hit, run_all, show_failures, show_perfect

HANDS = ("clean", "restated", "hatched", "tonal")
REPORT_SCENES = (100, 101, 102, 103)
SHEET_MM = (297.0, 210.0)
HIGH_MM = 160.0
FLOORS = ("wood", "cloth", "tile", "dark", "boards")
# TRADE.md, scenario 13: a rim 50 mm wide whose short axis is drawn with a ratio of 0.28 instead of 0.34.
SCENARIO = "scenario 13"
_LEANING = "axis leaning"


@dataclass(frozen=True)
class Case:
    """One sheet to draw, photograph and compare. ``move``: a name in `table_mistakes.MISTAKES`, "perfect" or "scenario 13"."""

    scene: int
    hand: str
    move: str
    tilt: float = 2.0
    floor: str = "wood"
    seed: int = 0
    boxes: bool = True


@dataclass
class Outcome:
    """What came of a case.

    ``thing``: the moved thing as the detector calls it, "" where it did not tell it apart. ``outlines``: (feature, sort, found,
    distances mm); ``rims``: (feature, error of openness, error of tilt, of the middle in mm); ``leans``: (thing, error, true).
    """

    case: Case
    thing: str = ""
    seconds: float = 0.0
    failure: str = ""
    outlines: list[tuple] = field(default_factory=list)
    rims: list[tuple] = field(default_factory=list)
    leans: list[tuple] = field(default_factory=list)
    items: list[str] = field(default_factory=list)
    later: list[str] = field(default_factory=list)
    not_found: list[tuple[str, str]] = field(default_factory=list)


# What must be told: sets of words, each item of the list must hold one of "a|b" from every set; "THING" is the thing's name; its
# amount as (number, unit) or None.
EXPECTED: dict[str, tuple[tuple[str, ...], float | None, str]] = {
    "rim too flat": (("open the rim", "THING"), None, "mm"),
    SCENARIO: (("open the rim", "THING"), None, "mm"),
    "rim pointed": (("round", "THING", "end"), None, "mm"),
    _LEANING: (("axis|turn", "THING", "left|plumb"), 3.0, "degrees"),
    "one side out": (("side", "THING", "uneven|in "), 2.0, "mm"),
    "shoulder low": (("shoulder|neck|widest", "THING"), 3.0, "mm"),
    "object moved": (("gap|move", "THING", "mm"), 3.0, "mm"),
    "object scaled": (("reduce|smaller", "THING"), None, "mm"),
    "gap widened": (("gap|move", "THING"), 3.0, "mm"),
    # Its upper half stays: the base is to be lowered, or the body to be lengthened at its bottom, which says the same.
    "base floating": (("lower|lengthen", "THING", "base|bottom"), 3.0, "mm"),
    "ellipse tipped": (("level|turn", "rim", "THING"), 3.0, "degrees"),
}


# ---------------------------------------------------------------- one case


def run(case: Case) -> Outcome:
    """Draw, photograph, compare, measure."""
    made = make(case)
    return made if isinstance(made, Outcome) else judge(case, *made)


def make(case: Case):
    """(scene, drawing, photo pixels) of a case, or the `Outcome` that says why it can't be drawn."""
    import cv2

    from featurediff.testing.camera import photograph
    from featurediff.testing.hands import draw, place

    cv2.setNumThreads(1)
    scene = _scene(case.scene)
    wide = max(float(np.ptp(np.vstack([thing.contour for thing in scene.objects])[:, 0])), 1.0)
    placement = place(scene, SHEET_MM, min(HIGH_MM, 0.92 * SHEET_MM[0] / wide * scene.size_px), centre=(148.5, 105.0))
    try:
        warp = _warp(scene, case.move, placement.mm_per_px)
    except (ValueError, KeyError, IndexError) as error:
        return Outcome(case, failure=f"not drawn: {error}")
    drawing = draw(scene, warp, hand=case.hand, placement=placement, seed=case.seed)
    photo = photograph(
        drawing,
        tilt_deg=case.tilt,
        tilt_axis_deg=37.0 * case.seed,
        floor=case.floor,
        turn_deg=1.5 * ((case.seed % 5) - 2),
        seed=case.seed,
    )
    return scene, drawing, photo.pixels


def _warp(scene, move: str, mm_per_px: float):
    from featurediff.testing import table_mistakes as mistakes

    if move == PERFECT:
        return None
    if move == SCENARIO:
        # Of those in the picture, the rim that is seen most openly (a ratio near 0.34 shows in all of them).
        return mistakes.rim_flat(scene, mm_per_px, factor=0.28 / 0.34)
    return mistakes.MISTAKES[move](scene, mm_per_px)


_SCENES: dict[int, object] = {}


def _scene(seed: int):
    from featurediff.testing.scenes import rendered_table

    if seed not in _SCENES:
        _SCENES.clear()
        _SCENES[seed] = rendered_table(seed)
    return _SCENES[seed]


def judge(case: Case, scene, drawing, photo: np.ndarray) -> Outcome:
    """Compare and measure."""
    from featurediff.comparison import compare
    from featurediff.errors import CompareError
    from featurediff.settings import Settings

    outcome = Outcome(case)
    boxes = {thing.name: _box(thing.box, 0.02 * scene.size_px) for thing in scene.objects}
    settings = Settings(detector={"objects": boxes} if case.boxes else {})
    start = time.perf_counter()
    try:
        result = compare(scene.pixels, photo, "still-life", sheet="{:.1f}x{:.1f}mm".format(*SHEET_MM), config=settings)
    except CompareError as error:
        outcome.failure = str(error)
        return outcome
    outcome.seconds = time.perf_counter() - start
    outcome.items = [each.text for each in result.report.corrections]
    outcome.later = [each.text for each in result.report.later]
    outcome.not_found = [(each.feature, each.why) for each in result.located if not each.found]
    outcome.thing = _moved_thing(result.subject, scene, drawing)
    _measure(result, drawing, outcome)
    return outcome


def _box(box: tuple[int, int, int, int], more: float) -> str:
    """A box as one draws it by hand: a little larger than the thing."""
    left, top, width, height = box
    return f"{left - more:.0f},{top - more:.0f},{width + 2 * more:.0f},{height + 2 * more:.0f}"


def _moved_thing(subject, scene, drawing) -> str:
    """The detector's name of the thing whose lines moved most, "" when none did or it was not told apart."""
    from still_life_reference import by_thing, match

    from featurediff.geometry import apply

    def moved(name: str) -> float:
        line = scene.curves[name][::5]
        return float(np.hypot(*(drawing.true_mm(line) - apply(drawing.placement.matrix, line)).T).max(initial=0.0))

    most = {thing.name: max((moved(name) for name in thing.lines), default=0.0) for thing in scene.objects}
    name = max(most, key=most.get)
    if most[name] < 0.1:
        return ""
    if name in by_thing(subject):
        return name
    for label, features in by_thing(subject).items():
        thing = match(subject, features, scene)
        if thing is not None and thing.name == name:
            return label
    return ""


def _measure(result, drawing, outcome: Outcome) -> None:
    from featurediff_still_life.ellipses import fit_ellipse
    from still_life_reference import sort_of

    from featurediff.geometry import resample

    leans = {each.feature: each.value for each in result.report.deviations if each.measure == "lean"}
    for feature, place in zip(result.subject.features, result.located, strict=True):
        sort = "rim" if feature.kind == "ellipse" else sort_of(feature) if feature.part.count("/") > 1 else "table edge"
        if not place.found:
            outcome.outlines.append((feature.name, sort, False, []))
            continue
        points = np.vstack([feature.points, feature.points[:1]]) if feature.closed else feature.points
        true = drawing.true_mm(resample(points, 2.0))
        # Points that were not seen are not judged.
        away = _distances(place.points_mm[np.isfinite(place.point_sigma_mm)], true)
        outcome.outlines.append((feature.name, sort, True, [round(float(d), 3) for d in away]))
        if feature.kind == "ellipse":
            found, meant = fit_ellipse(place.points_mm), fit_ellipse(drawing.true_mm(feature.points))
            tilt = (found.turn - meant.turn + 90) % 180 - 90
            off = float(np.hypot(*(found.centre - meant.centre)))
            outcome.rims.append((feature.name, float(found.openness - meant.openness), float(tilt), off))
    for form in result.subject.forms:
        if form.label in leans:
            # What was planted: the smooth map drags along the axes of still things, and no foot below the leaning one's middle.
            leaning = outcome.case.move == _LEANING and form.label == outcome.thing
            true = EXPECTED[_LEANING][1] if leaning else 0.0
            # The list tells leans against the lined-up reference.
            turned = result.report.lineup.turn_deg - drawing.placement.turn_deg
            outcome.leans.append((form.label, leans[form.label] + turned - true, true))


def _distances(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """(n,) distances of points from a polyline (m, 2), ends prolonged a little: how far along itself a line goes is not asked."""
    first, last = line[0] - line[1], line[-1] - line[-2]
    line = np.vstack([line[0] + 8 * first, line, line[-1] + 8 * last])
    start, way = line[:-1], np.diff(line, axis=0)
    length = np.maximum((way**2).sum(1), 1e-12)
    arm = points[:, None] - start
    share = np.clip((arm * way).sum(2) / length, 0, 1)
    return np.sqrt(((arm - share[..., None] * way) ** 2).sum(2)).min(1)


# ---------------------------------------------------------------- which cases


def cases(seeds: list[int], hands: list[str], boxes: bool, quick: bool) -> list[Case]:
    """Perfect copies of every table in every hand, and every mistake spread over tables and hands."""
    chosen, count = [], 0
    for s, scene in enumerate(seeds):
        for h, hand in enumerate(hands):
            seed = 10 * s + h
            chosen.append(Case(scene, hand, PERFECT, float((s + h) % 4), FLOORS[(s + 2 * h) % 5], seed, boxes))
            for move in EXPECTED:
                count += 1
                if (count + s + h) % (6 if quick else 2) == 0:
                    chosen.append(Case(scene, hand, move, 2.0, FLOORS[count % 5], seed + count, boxes))
    return chosen


def _again(case: Case, k: int) -> Case:
    """The same case drawn by another moment of the same hand, on another floor."""
    return replace(case, seed=case.seed + 1000 * k, floor=FLOORS[(FLOORS.index(case.floor) + k) % 5])


# ---------------------------------------------------------------- tables


def show(outcomes: list[Outcome]) -> None:
    """Print the tables."""
    done = [o for o in outcomes if not o.failure]
    print(f"\nOutlines on {len(done)} sheets: distance mm (points of found features)")
    print(f"{'':18s} {'found':>11s} {'median':>7s} {'95 %':>7s} {'max':>6s}")
    rows = [(o, r) for o in done for r in o.outlines]
    for hand in dict.fromkeys(o.case.hand for o in done):
        _line(hand, [r for o, r in rows if o.case.hand == hand])
    for sort in sorted({r[1] for _, r in rows}):
        _line(sort, [r for _, r in rows if r[1] == sort])
    _line("all", [r for _, r in rows])
    print(f"\n{'Rims and axes':18s} {'n':>5s} {'median':>7s} {'95 %':>7s} {'max':>6s}   within")
    rims, leans = [r for o in done for r in o.rims], [r for o in done for r in o.leans]
    for label, values, limit in (
        ("openness", [r[1] for r in rims], 0.02),
        ("rim's tilt, deg", [r[2] for r in rims], 1.0),
        ("rim's middle, mm", [r[3] for r in rims], 1.0),
        ("lean of axes, deg", [r[1] for r in leans], 1.0),
    ):
        size = np.abs(values)
        if len(size):
            within = f"{np.mean(size <= limit):.2f} within {limit}"
            print(
                f"{label:18s} {len(size):5d} {np.median(size):7.3f} {np.percentile(size, 95):7.3f} {size.max():6.2f}   {within}"
            )
    show_lists(done)
    show_failures(outcomes)
    if done:
        print(f"\nSeconds a comparison (warm): median {np.median([o.seconds for o in done]):.2f}")


def _line(label: str, rows: list[tuple]) -> None:
    found = [r for r in rows if r[2]]
    if not found:
        print(f"{label:18s} {0:5d}/{len(rows)}")
        return
    away = np.concatenate([r[3] for r in found])
    print(f"{label:18s} {len(found):5d}/{len(rows):<5d} {np.median(away):7.2f} {np.percentile(away, 95):7.2f} {away.max():6.1f}")


def show_lists(done: list[Outcome]) -> None:
    """Print what the lists said."""
    show_perfect(done)
    print("\nKnown mistakes: told / sheets whose thing was told apart; amounts right within 0.5 (or 15 %); further items (mean)")
    for move in dict.fromkeys(o.case.move for o in done):
        some = [o for o in done if o.case.move == move and o.thing]
        if move not in EXPECTED or not some:
            continue
        hits = [told(o) for o in some]
        extra = np.mean([len(o.items) - bool(text) for o, (text, _) in zip(some, hits, strict=True)])
        print(f"  {move:18s} {sum(bool(t) for t, _ in hits)}/{len(some)}; {sum(near for _, near in hits)}; {extra:.1f}")


def told(outcome: Outcome) -> tuple[str, bool]:
    """The first item that holds the words expected, and whether a number in it is near the amount."""
    words, amount, unit = EXPECTED[outcome.case.move]
    return first_hit(outcome.items, tuple(word.replace("THING", outcome.thing) for word in words), amount, unit)


def main() -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", default=",".join(map(str, REPORT_SCENES)), help="seeds")
    parser.add_argument("--automatic", action="store_true", help="separate the things without boxes")
    add_options(parser, HANDS, 1)
    parser.add_argument("--move", help="only this case")
    parser.add_argument("--copies", type=int, default=1, help="how many drawings of each case, by hands that differ")
    options = parser.parse_args()
    seeds, hands = [int(s) for s in options.scenes.split(",")], options.hands.split(",")
    if options.quick:
        seeds, hands = seeds[:2], hands[:2]
    todo = cases(seeds, hands, not options.automatic, options.quick)
    if options.move:
        todo = [case for case in todo if case.move == options.move]
    todo = [_again(case, k) for case in todo for k in range(options.copies)]
    return run_all(run, todo, options, show)


if __name__ == "__main__":
    sys.exit(main())
