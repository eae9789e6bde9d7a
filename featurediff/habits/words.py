"""Habits, and what a class shares, in words and as data. Nothing but measures: never a word about who was drawn."""

from __future__ import annotations

import textwrap
from typing import Any

from featurediff.corrections.words import the
from featurediff.habits.records import DEGREES, PERCENT, Habits, Shared, Tendency
from featurediff.habits.tendencies import ENOUGH, LEVEL
from featurediff.report.text import WIDTH

# measure -> how it is when drawing minus reference is above 0, and when it is below.
_WAYS = {
    "across": ("too far right", "too far left"),
    "down": ("low", "high"),
    "spacing": ("too far apart", "too close together"),
    "girth": ("wide", "narrow"),
    "width": ("wide", "narrow"),
    "height": ("tall", "short"),
    "slant": ("lower on the right than on the left", "higher on the right than on the left"),
    "tilt": ("turned clockwise", "turned anticlockwise"),
    "outer ends": ("with the outer ends low", "with the outer ends high"),
    "openness": ("too open", "too flat"),
    "lean": ("leaning right", "leaning left"),
    "fall": ("falling to the right", "rising to the right"),
    "aspect": ("wide for its height", "narrow for its height"),
    "grows": ("growing towards its foot", "growing towards its top"),
}


def phrase(label: str, measure: str, positive: bool) -> str:
    """What was drawn how: "the eyes high", "the head narrow for its height"."""
    ways = _WAYS.get(measure, (f"with more {measure}", f"with less {measure}"))
    return f"{called(label)} {ways[0 if positive else 1]}"


def called(label: str) -> str:
    """The label with its article; one of a row, told by its number, has none."""
    return label if any(letter.isdigit() for letter in label) else the(label)


def amount(value: float, unit: str, size: float | None = None, fine: bool = False) -> str:
    """ "2.1 % (3.4 mm)", "1.8 degrees"; mm on a subject of ``size`` mm."""
    digits = f"{abs(value):.1f}" if fine or abs(value) < 10 else f"{abs(value):.0f}"
    if unit == PERCENT:
        on_paper = f" ({abs(value) * size / 100.0:.1f} mm)" if size else ""
        return f"{digits} %{on_paper}"
    if unit == DEGREES:
        return f"{digits} degrees"
    return f"{abs(value):.2f}"


# ---------------------------------------------------------------- habits


def told(found: tuple[Habits, ...]) -> str:
    """All subjects, one block each."""
    return "\n\n".join(_subject(each) for each in found)


def _subject(found: Habits) -> str:
    count = f"{found.drawings} drawing" + ("" if found.drawings == 1 else "s")
    head = f"{found.subject}: {count}, each before any correction."
    if not found.enough:
        return _wrap(f"{found.subject}: {count}. Habits are told from {ENOUGH} drawings on; go on drawing.")
    if not found.told:
        return _wrap(f"{head} No habit stands out against chance ({_looked_at(found)}).")
    lines = [_wrap(head)]
    lines += [_wrap(f"{k:2d}. {sentence(each, found)}", 4) for k, each in enumerate(found.told, start=1)]
    lines.append(_wrap(note(found)))
    return "\n".join(lines)


def sentence(each: Tendency, found: Habits) -> str:
    """One habit: what, how much, spread, in how many drawings, and how likely by chance."""
    size = found.size if each.unit == PERCENT else None
    in_most = f"beyond its limit in {each.beyond} of {each.drawings}"
    return (
        f"You draw {phrase(each.label, each.measure, each.mean > 0)}: by {amount(each.mean, each.unit, size)} on average, spread "
        f"{amount(each.spread, each.unit)}, over {each.drawings} drawings; {in_most}. {chance(each)}"
    )


def chance(each: Tendency) -> str:
    """ "By chance: 1 in 200." of the corrected p value."""
    return "By chance: less than 1 in 1000." if each.p_all < 0.001 else f"By chance: 1 in {int(1.0 / each.p_all)}."


def note(found: Habits) -> str:
    """How to read the figures."""
    mm = f"; mm are on a drawing of your usual size, {found.size_label} {found.size:.0f} mm" if found.size else ""
    return (
        f"% are of the {found.size_label} as drawn, so that sheets of any size count alike{mm}. Chance: {_looked_at(found)}, "
        f"t test of the mean by Hartung and Knapp, corrected for all of them by Benjamini and Hochberg at {LEVEL * 100:.0f} %."
    )


def _looked_at(found: Habits) -> str:
    return f"{len(found.looked_at)} measures looked at"


def habits_data(found: tuple[Habits, ...]) -> dict[str, Any]:
    """All of it for machines; ``measures`` holds what was looked at, told or not."""
    return {
        "schema": "featurediff-habits-1",
        "enough": ENOUGH,
        "level": LEVEL,
        "method": "Hartung-Knapp t test of a random-effects mean; Benjamini-Hochberg over all measures of a subject",
        "subjects": [
            {
                "subject": each.subject,
                "drawings": each.drawings,
                "size_label": each.size_label,
                "size_mm": None if each.size is None else round(each.size, 1),
                "enough": each.enough,
                "habits": [_data(one) for one in each.told],
                "measures": [_data(one) for one in each.looked_at],
            }
            for each in found
        ],
    }


def _data(each: Tendency) -> dict[str, Any]:
    return {
        "label": each.label,
        "measure": each.measure,
        "words": phrase(each.label, each.measure, each.mean > 0),
        "unit": each.unit,
        "drawings": each.drawings,
        "mean": round(each.mean, 4),
        "spread": round(each.spread, 4),
        "standard_error": round(each.error, 4),
        "p": float(f"{each.p:.4g}"),
        "p_corrected": float(f"{each.p_all:.4g}"),
        "beyond_limit": each.beyond,
        "limit": round(each.limit, 4),
        "values": [round(value, 4) for value in each.values],
    }


# ---------------------------------------------------------------- a class


def shared_sentence(each: Shared) -> str:
    """ "8 of 12 drew the eyes high." """
    return f"{each.count} of {each.judged} drew {phrase(each.label, each.measure, each.sign > 0)}."


def shared_line(each: Shared) -> str:
    """The sentence with the mean of those sheets and their spread."""
    spread = f", spread {amount(each.spread, each.unit)}" if each.count > 1 else ""
    return f"{shared_sentence(each)} By {amount(each.mean, each.unit)} on average{spread}."


def shared_data(each: Shared) -> dict[str, Any]:
    """For machines."""
    return {
        "label": each.label,
        "measure": each.measure,
        "words": phrase(each.label, each.measure, each.sign > 0),
        "unit": each.unit,
        "count": each.count,
        "judged": each.judged,
        "mean": round(each.mean, 4),
        "spread": round(each.spread, 4),
        "limit": round(each.limit, 4),
        "sheets": [{"number": k, "value": round(value, 4), "counts": counts} for k, value, counts in each.values],
    }


def _wrap(text: str, indent: int = 0) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
