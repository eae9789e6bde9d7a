"""The list as the artist reads it at the easel."""

from __future__ import annotations

import math
import textwrap

from featurediff.corrections.words import the
from featurediff.lineup import rule_in_words
from featurediff.records import Report
from featurediff.report.data import undecided

WIDTH = 92
CLOSE = "Close enough to paint."
CLOSE_IN_PART = "Close enough to paint, as far as it could be judged."
# Common practice, no source.
CARE = "lift lines by dabbing a kneaded eraser, do not rub; erasing disturbs the sizing, and the paint will show it."
# With less than this share of the subject found, a drawing is half done.
HALF_DONE = 0.5
# When more than this share of the features could not be judged, wholly or in part, the last word says so.
MUCH_UNJUDGED = 0.15
# Longer lists of what is good are folded: blocks of so many features at least, of which so few are missing.
FEW_NAMES, _FOLDED, _BUT = 6, 3, 1


def render(report: Report) -> str:
    """The whole report as text, at most about 92 characters wide, ending in a newline."""
    blocks = [_head(report), _captures(report), _list(report), _later(report), _good(report), _not_judged(report), _care(report)]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _head(report: Report) -> str:
    lines = (sheet_line(report), trust_line(report), lineup_line(report), report.lineup.remark, sides_line(report))
    return "\n".join(_wrap(line, 0) for line in lines if line)


def sides_line(report: Report) -> str:
    """Whose left and right the report tells."""
    if report.sides == "sitter":
        return "Parts are named by the sitter's own left and right; directions of movement are the paper's, as you look at it."
    return "Left and right are the picture's, as you look at the paper."


def sheet_line(report: Report) -> str:
    """The sheet: its size, how it was found, how the camera was tilted."""
    sheet = report.sheet
    size = ""
    if sheet.size_mm is not None:
        size = f" {sheet.size_mm[0]:.0f} x {sheet.size_mm[1]:.0f} mm"
    tilt = f"; camera tilted {sheet.tilt_deg:.1f} degrees" if sheet.tilt_deg is not None else ""
    squared = "" if sheet.squared else "; tilt could not be removed"
    return f"Sheet{size}: {sheet.found}{tilt}{squared}."


def trust_line(report: Report) -> str:
    """How far the photograph can be trusted."""
    if not math.isfinite(report.sheet.trust_mm):
        return "How far this picture can be trusted is not known."
    unit = "mm" if report.sheet.unit == "mm" else f"% of the {report.size_label}"
    return f"This picture can be trusted to {report.sheet.trust_mm:.1f} {unit}; nothing smaller is listed."


def lineup_line(report: Report) -> str:
    """How the reference was laid on the drawing."""
    lineup = report.lineup
    rule = "by what leaves the fewest changes" if lineup.rule == "fewest" else f"by {rule_in_words(lineup.rule)}"
    parts = [f"Lined up {rule}"]
    if report.sheet.unit == "mm":
        parts.append(f"{report.size_label} {report.size_mm:.0f} mm on the paper")
    if abs(lineup.turn_deg) >= 0.5:
        parts.append(f"turned {abs(lineup.turn_deg):.1f} degrees {'clockwise' if lineup.turn_deg > 0 else 'anticlockwise'}")
    text = ": ".join([parts[0], ", ".join(parts[1:])]) if len(parts) > 1 else parts[0]
    return f"{text}. Size and tilt of the whole are your plan, not errors."


def _captures(report: Report) -> str:
    return "\n".join(_wrap(f"{each.level.capitalize()}: {each.text}", 2) for each in report.capture)


def _list(report: Report) -> str:
    if not report.corrections:
        return verdict(report) if not report.later else f"Nothing that must be done now. {verdict(report)}"
    lines = ["To fix, in this order:"]
    for each in report.corrections:
        lines.append(_wrap(f"{each.rank:2d}. {each.text}", 4))
        if each.check:
            lines.append(_wrap(f"    Check: {each.check}", 11))
    return "\n".join(lines)


def verdict(report: Report) -> str:
    """The last word when nothing is left to fix; a half-done drawing is not called close enough."""
    if half_done(report):
        return "What is drawn so far is right; go on."
    unjudged = {each.feature for each in report.not_judged} & {each.name for each in report.features}
    return CLOSE_IN_PART if len(unjudged) > MUCH_UNJUDGED * len(report.features) else CLOSE


def half_done(report: Report) -> bool:
    """Whether too little of the subject is drawn to speak of the whole."""
    return sum(feature.found for feature in report.features) < HALF_DONE * len(report.features)


def _later(report: Report) -> str:
    if not report.later:
        return ""
    lines = ["Can wait:"] + [_wrap(f" -  {each.text}", 4) for each in report.later]
    return "\n".join(lines)


def _good(report: Report) -> str:
    lines = []
    if report.good:
        lines.append(_wrap(f"Good already: {folded_names(report, report.good)}.", 2))
    unsure = undecided(report)
    if unsure:
        lines.append(_wrap(f"Too uncertain in this picture to say: {told_names(report, unsure)}.", 2))
    return "\n".join(lines)


def told_names(report: Report, names: tuple[str, ...]) -> str:
    """A list of features as it is told, by the sides that the report is to use."""
    told = both_sides(names)
    numbers = {each.name: each.number for each in report.features if each.number}
    if numbers:
        return ", ".join(f"{name} ({numbers[name]})" if name in numbers else name for name in names)
    if report.sides == "sitter":
        told = [report.sitter_names.get(name, _on_the_paper(name)) for name in told]
    return ", ".join(told)


def folded_names(report: Report, names: tuple[str, ...]) -> str:
    """A list of features with blocks of which all are in it told at once: "all of the roof, all of the word but the E".

    Short lists are told name by name.
    """
    if len(both_sides(names)) <= FEW_NAMES:
        return told_names(report, names)
    place = {name: at for at, name in enumerate(names)}
    found = {each.name for each in report.features if each.found}
    if found and found <= set(names):
        return "all that was found"
    told, left = [], set(names)
    blocks = [each for each in report.blocks if each.kind in ("group", "pair") and not _sided(report, each.label)]
    for block in sorted(blocks, key=lambda each: -len(each.names)):
        own = [name for name in block.names if name in found]
        good = [name for name in own if name in left]
        missing = [name for name in own if name not in place]
        if len(good) < _FOLDED or len(good) + len(missing) < len(own) or len(missing) > _BUT:
            continue
        whole = "all of" if len(own) == len(block.names) else "all that was found of"
        but = f" but {the(told_names(report, tuple(missing)))}" if missing else ""
        told.append((place[good[0]], f"{whole} {the(block.label)}{but}"))
        left -= set(good)
    rest = tuple(name for name in names if name in left)
    singles = [(min(place[name] for name in group), told_names(report, group)) for group in _pairs(rest)]
    return ", ".join(text for _, text in sorted(told + singles))


def _pairs(names: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Names one by one, those of both sides together."""
    groups: dict[str, tuple[str, ...]] = {}
    for name in names:
        stem = name.removesuffix(" on the left").removesuffix(" on the right")
        groups[stem] = (*groups.get(stem, ()), name)
    return list(groups.values())


def _sided(report: Report, label: str) -> bool:
    """Whether a label names a side of the paper where the report is to name the sitter's."""
    return report.sides == "sitter" and (" on the left" in label or " on the right" in label)


def _on_the_paper(name: str) -> str:
    """A name without a sitter's form, so that it is not taken for one: "ear on the left" of the paper."""
    return f"{name} of the paper" if name.endswith((" on the left", " on the right")) else name


def both_sides(names: tuple[str, ...]) -> list[str]:
    """ "brow on the left" and "brow on the right" become "brow on both sides"; the order is kept."""
    told: list[str] = []
    for name in names:
        stem = name.removesuffix(" on the left").removesuffix(" on the right")
        pair = stem != name and f"{stem} on the left" in names and f"{stem} on the right" in names
        text = f"{stem} on both sides" if pair else name
        if text not in told:
            told.append(text)
    return told


def _not_judged(report: Report) -> str:
    if not report.not_judged:
        return ""
    by_reason: dict[str, list[str]] = {}
    for each in report.not_judged:
        by_reason.setdefault(each.why, []).append(each.feature)
    lines = ["Not judged:"] + [_wrap(f" -  {told_names(report, tuple(names))}: {why}", 4) for why, names in by_reason.items()]
    return "\n".join(lines)


def _care(report: Report) -> str:
    return _wrap(f"For the paper's sake: {CARE}", 0) if report.corrections else ""


def _wrap(text: str, indent: int) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
