"""The JSON form of a report: plain numbers, sensibly rounded, never NaN."""

from __future__ import annotations

import math
from typing import Any

from featurediff.records import Advice, Block, Correction, Report

SCHEMA = "featurediff-report-1"


def report_to_dict(report: Report) -> dict[str, Any]:
    """``report`` as dicts, lists, strings, numbers and None, ready for ``json.dumps(..., allow_nan=False)``."""
    sheet, lineup = report.sheet, report.lineup
    return {
        "schema": SCHEMA,
        "subject": report.subject,
        "sides": report.sides,
        "unit": sheet.unit,
        "size": {"label": report.size_label, "length": number(report.size_mm, 1)},
        "sheet": {
            "size_mm": pair(sheet.size_mm, 1),
            "found": sheet.found,
            "squared": bool(sheet.squared),
            "tilt_deg": number(sheet.tilt_deg, 2),
            "px_per_mm": number(sheet.px_per_mm, 2),
            "trust_mm": number(sheet.trust_mm, 2),
        },
        "lineup": {
            "rule": lineup.rule,
            "scale_mm_per_px": number(lineup.scale, 6),
            "turn_deg": number(lineup.turn_deg, 2),
            "move_mm": pair(lineup.move_mm, 2),
            "carried_by": list(lineup.carried_by),
            "remark": lineup.remark,
        },
        "features": [
            {
                "name": each.name,
                "part": each.part,
                "found": bool(each.found),
                "why": each.why,
                "at_mm": pair(each.at_mm, 2),
                "off_mm": pair(each.off_mm, 2),
                "sigma_mm": number(each.sigma_mm, 2),
                "number": int(each.number),
            }
            for each in report.features
        ],
        "deviations": [
            {
                "feature": each.feature,
                "measure": each.measure,
                "value": number(each.value, 3),
                "unit": each.unit,
                "sigma": number(each.sigma, 3),
                "cautious": number(max(each.sigma, each.cautious), 3),
                "tolerance": number(each.tolerance, 3),
            }
            for each in report.deviations
        ],
        "blocks": [_block(each) for each in report.blocks],
        "corrections": [_correction(each) for each in report.corrections],
        "later": [_correction(each) for each in report.later],
        "good": list(report.good),
        "undecided": list(undecided(report)),
        "not_judged": [{"feature": each.feature, "why": each.why} for each in report.not_judged],
        "capture": [_advice(each) for each in report.capture],
        "seconds": {name: number(value, 3) for name, value in report.seconds.items()},
    }


def undecided(report: Report) -> tuple[str, ...]:
    """Features that were found, but too uncertainly to be called right or wrong."""
    told = {name for each in (*report.corrections, *report.later) for name in each.explains} | set(report.good)
    told |= {each.feature for each in report.not_judged}
    return tuple(each.name for each in report.features if each.found and each.name not in told)


def number(value: Any, digits: int) -> float | None:
    """A plain rounded float; None for None, NaN and infinity. Minus zero becomes zero."""
    if value is None or not math.isfinite(float(value)):
        return None
    return round(float(value), digits) + 0.0


def pair(values: Any, digits: int) -> list[float | None] | None:
    """Two plain rounded floats, or None."""
    return None if values is None else [number(value, digits) for value in values]


def _correction(each: Correction) -> dict[str, Any]:
    return {
        "rank": int(each.rank),
        "stage": each.stage,
        "text": each.text,
        "check": each.check,
        "at_mm": pair(each.at_mm, 1),
        "move_mm": pair(each.move_mm, 2),
        "turn_deg": number(each.turn_deg, 2),
        "scale": number(each.scale, 4),
        "explains": list(each.explains),
        "sure": number(each.sure, 2),
        "size": number(each.size, 2),
    }


def _advice(each: Advice) -> dict[str, str]:
    return {"level": each.level, "text": each.text}


def _block(each: Block) -> dict[str, Any]:
    return {
        "label": each.label,
        "kind": each.kind,
        "names": list(each.names),
        "plural": bool(each.plural),
        "left": list(each.left),
        "right": list(each.right),
        "width": bool(each.width),
    }
