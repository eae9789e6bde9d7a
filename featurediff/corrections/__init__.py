"""From deviations to the to-fix list: explain, join, rank, word."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from featurediff.corrections import arrows, checks, explain, rank, sentences, words
from featurediff.corrections.items import Item, to_items
from featurediff.deviations import Compared, compare, frame_of
from featurediff.geometry import split_similarity
from featurediff.lineup import matrix_of
from featurediff.records import Correction, LineUp, Located, Sheet, Subject
from featurediff.settings import Settings


def correct(
    subject: Subject, located: tuple[Located, ...], lineup: LineUp, sheet: Sheet, settings: Settings
) -> tuple[tuple[Correction, ...], tuple[Correction, ...], tuple[str, ...]]:
    """The corrections to show, those that can wait, and the names of the features that are right already."""
    frame = frame_of(subject, lineup, settings)
    compared = compare(subject, located, lineup, sheet, settings)
    if not compared:
        return (), (), ()
    explanation = explain.explain(subject, compared, frame, sheet, settings)
    found = to_items(explanation, compared, settings)
    shown, waiting = rank.split([item for item in found if rank.believed(item)], settings)
    speech = words.speech(subject, frame, settings, sheet.unit)
    ordered = shown + waiting
    # A feature can be leaned on once the last item about it is done.
    last = {k: number for number, item in enumerate(ordered) for k in item.explains}
    corrections = []
    for number, item in enumerate(ordered):
        steady = {k for k in range(len(compared)) if last.get(k, -1) < number}
        corrections.append(_correction(number + 1, item, compared, steady, speech, settings))
    # Beyond its tolerance, yet too uncertain to be told: neither wrong nor good.
    doubtful = {row.owner for row, left in zip(explanation.rows, explanation.left, strict=True) if abs(left) > row.tolerance}
    doubtful |= {k for item in found if not rank.believed(item) for k in item.explains}
    good = tuple(each.feature.name for k, each in enumerate(compared) if k not in last and k not in doubtful)
    return tuple(corrections[: len(shown)]), tuple(corrections[len(shown) :]), good


def refine_lineup(subject: Subject, located: tuple[Located, ...], lineup: LineUp, sheet: Sheet, settings: Settings) -> LineUp:
    """The line-up that the shortest description implies: features that a statement explains no longer pull at it.

    Deviations measured by it agree with the corrections. Meant for the rule "fewest"; other rules are the artist's choice.
    """
    frame = frame_of(subject, lineup, settings)
    compared = compare(subject, located, lineup, sheet, settings)
    if not compared:
        return lineup
    shift = explain.explain(subject, compared, frame, sheet, settings).shift
    scale, turn, move = split_similarity(shift @ matrix_of(lineup))
    return replace(lineup, scale=scale, turn_deg=turn, move_mm=move)


def _correction(
    number: int, item: Item, compared: tuple[Compared, ...], steady: set[int], speech: words.Speech, settings: Settings
) -> Correction:
    at = item.at
    if item.kind not in ("shape", "grows", "aspect", "eye level", "aim", "closing") and item.explains:
        # Point at the drawing, where the pencil line is now.
        at = at + np.mean([np.mean(compared[k].off, 0) for k in item.explains], 0)
    return Correction(
        rank=number,
        stage=item.stage,
        text=sentences.sentence(item, compared, speech, settings.tolerances.redraw_times),
        check=checks.check(item, compared, steady, speech),
        at_mm=(float(at[0]), float(at[1])),
        move_mm=_move(item, compared),
        turn_deg=-item.amount if item.kind in ("turn", "swing", "lean") else None,
        scale=1.0 / (1.0 + item.amount) if item.kind in ("scale", "each") else None,
        explains=tuple(compared[k].feature.name for k in item.explains),
        sure=rank.sure(item),
        size=item.size,
        arrows=arrows.arrows(item, compared, speech.frame),
        kind=item.kind,
    )


def _move(item: Item, compared: tuple[Compared, ...]) -> tuple[float, float] | None:
    move = item.move
    if item.kind == "swing":
        move = words.swing_move(item, compared[item.hypothesis.members[0]])
    return None if move is None else (float(move[0]), float(move[1]))
