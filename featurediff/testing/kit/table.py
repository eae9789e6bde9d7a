"""A trial as text: the checks by name, a table for each reference, advice below it."""

from __future__ import annotations

import textwrap

from featurediff.testing.kit.records import Check, Measured, Row, Trial

WIDTH = 110
LEGEND = (
    "found: of the drawings in which it stayed or moved as a whole; gain: measured over true move, - where it was never moved; "
    "error (median) and worst: distance from its true place, across itself for what slides along itself"
)
_MARK = {True: "pass", False: "FAIL", None: "-"}


def text(trial: Trial) -> str:
    """The whole of it."""
    parts = [f"{trial.detector}: {verdict(trial)}"]
    if trial.checks:
        parts.append("\n".join(_check(check) for check in trial.checks))
    parts += [table(measured) for measured in trial.tables]
    if trial.fault:
        parts.append(textwrap.fill(f"Not finished: {trial.fault}", WIDTH))
    return "\n\n".join(parts)


def verdict(trial: Trial) -> str:
    """How many checks passed, the median gain of each table, the time."""
    counted = [check for check in trial.checks if check.passed is not None]
    said = [f"{sum(check.passed for check in counted)} of {len(counted)} checks passed"]
    for measured in trial.tables:
        if measured.gain is not None:
            said.append(f"median gain {measured.gain:.2f}")
    return ", ".join([*said, f"{trial.seconds:.0f} s"])


def _check(check: Check) -> str:
    head = f"{_MARK[check.passed]:5}{check.name}: "
    return textwrap.fill(f"{head}{check.told}", WIDTH, subsequent_indent="     ", break_long_words=False)


def table(measured: Measured) -> str:
    """One reference."""
    wide = max((len(row.feature) for row in measured.rows), default=7)
    lines = [
        f"{measured.picture}: {measured.drawings} simulated drawings, {measured.copies} of them perfect copies, "
        f"the subject {measured.size_mm:.0f} mm",
        f"{'feature':{wide}}  {'found':>6}  {'gain':>5}  {'error':>5}  {'worst':>5}  false",
        f"{'':{wide}}  {'':>6}  {'':>5}  {'mm':>5}  {'mm':>5}  items",
        *(_line(row, wide) for row in measured.rows),
        _hanging(LEGEND),
    ]
    lines.append(
        f"time: {measured.find_s:.2f} s to find the features, {measured.engine_s:.1f} s of the engine for a drawing, "
        f"of it {measured.feature_ms:.0f} ms for a feature"
    )
    lines += [_hanging(f"not compared, {failure}") for failure in measured.failures]
    lines += [_hanging(f"listed on a perfect copy: {item}") for item in measured.items]
    advised = [_hanging(f"{row.feature}: {row.advice}") for row in measured.rows if row.advice]
    return "\n".join([*lines, *(["", *advised] if advised else [])])


def _line(row: Row, wide: int) -> str:
    found = f"{row.found}/{row.drawn}"
    return (
        f"{row.feature:{wide}}  {found:>6}  {_number(row.gain, 2)}  {_number(row.error_mm, 1)}  {_number(row.worst_mm, 1)}"
        f"  {row.false_items or '-':>5}"
    )


def _number(value: float | None, places: int) -> str:
    return f"{'-':>5}" if value is None else f"{value:5.{places}f}"


def _hanging(line: str) -> str:
    return textwrap.fill(line, WIDTH, subsequent_indent="    ", break_long_words=False)
