"""A plan in words and as data."""

from __future__ import annotations

import textwrap
from typing import Any

from featurediff.planning.records import BETWEEN, Length, Plan, Relation
from featurediff.report.text import WIDTH

# Off by less than this is not told; by less than that, "almost".
_EXACT_MM, _BESIDE_MM = 0.5, 1.05


def text(plan: Plan) -> str:
    """The whole plan."""
    blocks = [_where(plan), _lengths(plan), _relations(plan), _remarks(plan)]
    return "\n\n".join(block for block in blocks if block)


def title(plan: Plan) -> str:
    """ "faces on A4, upright (210 x 297 mm)"."""
    width, height = plan.placement.sheet_mm
    lies = "upright" if height >= width else "landscape"
    size = f"{width:.0f} x {height:.0f} mm"
    return f"{plan.subject} on {plan.sheet_name}, {lies} ({size})" if "x" not in plan.sheet_name else f"{plan.subject} on {size}"


def _where(plan: Plan) -> str:
    placed = plan.placement
    chosen = "" if placed.wanted else " (chosen to leave some air; --height sets it)"
    lines = [_wrap(f"{title(plan)}: {plan.size_label} {placed.size_mm:.0f} mm{chosen}.")]
    lines += [_wrap(margins(plan)), _wrap(crop(plan))]
    return "\n".join(lines)


def margins(plan: Plan) -> str:
    """Free paper on the four sides."""
    left, top, right, bottom = plan.placement.margins
    parts, over = [], []
    for amount, side, name in (
        (top, "top", "above"),
        (bottom, "bottom", "below"),
        (left, "left", "left"),
        (right, "right", "right"),
    ):
        if amount < -0.5 and side in plan.placement.cut:
            over.append({"top": "at the top", "bottom": "at the foot"}.get(side, f"on the {side}"))
        else:
            parts.append(f"{max(amount, 0):.0f} mm {name}")
    beyond = f" It runs over the edge {' and '.join(over)}, as it does in the picture." if over else ""
    return f"Free paper: {', '.join(parts) or 'none'}.{beyond}"


def crop(plan: Plan) -> str:
    """Whether the whole picture fits."""
    left, top, right, bottom = plan.placement.frame
    width, height = plan.placement.sheet_mm
    whole = f"The whole picture is {right - left:.0f} x {bottom - top:.0f} mm at this size"
    cut = [(-left, "left"), (-top, "top"), (right - width, "right"), (bottom - height, "bottom")]
    cut = [f"{amount:.0f} mm at the {side}" for amount, side in cut if amount > 0.5]
    return f"{whole} and fits the sheet." if not cut else f"{whole}; the sheet leaves out {', '.join(cut)} of it."


def _lengths(plan: Plan) -> str:
    lines = ["Start with these lengths (measure them once, then draw freehand):"]
    lines += [f"  {length_line(each)}" for each in plan.lengths]
    return "\n".join(lines)


def length_line(each: Length) -> str:
    """ "eye line: 118 mm from the top edge"; "from pupil to pupil: 62 mm"."""
    how = "" if each.how == BETWEEN else f" {each.how}"
    return f"{each.label}: {amount(each.mm)} mm{how}"


def amount(mm: float) -> str:
    """Whole mm; half ones below 10."""
    return f"{mm:.0f}" if abs(mm) >= 10 else f"{round(mm * 2) / 2:g}"


def _relations(plan: Plan) -> str:
    if not plan.relations:
        return ""
    return "\n".join(["Plumb and level, by eye:", *(_wrap(f"  {relation_line(each)}", 4) for each in plan.relations)])


def relation_line(each: Relation) -> str:
    """ "The mouth corner on the left lies under the inner corner of the eye on the left."""
    second = each.second[0].upper() + each.second[1:]
    if each.direction == "level":
        return f"{second} lies level with {each.first}."
    off = abs(each.off_mm)
    if off < _BESIDE_MM:
        return f"{second} lies {'' if off < _EXACT_MM else 'almost '}under {each.first}."
    return f"{second} lies {amount(off)} mm {'right' if each.off_mm > 0 else 'left'} of the plumb line from {each.first}."


def _remarks(plan: Plan) -> str:
    lines = [f"The reference gives {plan.px_per_mm:.1f} px to a mm of this drawing."]
    lines += [_wrap(f"{each.level.capitalize()}: {each.text}", 2) for each in plan.remarks]
    return "\n".join(lines)


def data(plan: Plan) -> dict[str, Any]:
    """For machines. ``to_mm``: reference px to mm on the sheet, p_mm = scale * (p_px + 0.5) + move."""
    placed = plan.placement
    return {
        "schema": "featurediff-plan-1",
        "subject": plan.subject,
        "sheet": {"name": plan.sheet_name, "size_mm": [round(v, 2) for v in placed.sheet_mm]},
        "size": {"label": plan.size_label, "mm": round(placed.size_mm, 2)},
        "to_mm": {"scale": round(placed.scale, 8), "move": [round(v, 4) for v in placed.move]},
        "picture_mm": [round(v, 2) for v in placed.frame],
        "extent_mm": [round(v, 2) for v in placed.extent],
        "margins_mm": dict(zip(("left", "top", "right", "bottom"), (round(v, 2) for v in placed.margins), strict=True)),
        "cut_by_the_picture": list(placed.cut),
        "px_per_mm": round(plan.px_per_mm, 3),
        "lengths": [
            {
                "label": each.label,
                "mm": round(each.mm, 2),
                "how": each.how,
                "direction": each.direction,
                "ends_mm": _ends(each.ends),
            }
            for each in plan.lengths
        ],
        "relations": [
            {
                "direction": each.direction,
                "first": each.first,
                "second": each.second,
                "off_mm": round(each.off_mm, 2),
                "words": relation_line(each),
                "ends_mm": _ends(each.ends),
            }
            for each in plan.relations
        ],
        "remarks": [{"level": each.level, "text": each.text} for each in plan.remarks],
    }


def _ends(ends) -> list[list[float]]:
    return [[round(x, 2), round(y, 2)] for x, y in ends]


def _wrap(told: str, indent: int = 0) -> str:
    lead = told[: len(told) - len(told.lstrip())]
    return textwrap.fill(
        told.strip(), WIDTH, initial_indent=lead, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False
    )
