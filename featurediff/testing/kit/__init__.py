"""What a detector must keep, and how well the engine finds what it names: for authors, in pytest or by ``featurediff try``.

`conforms` runs the checks in this process, `measured` draws the author's reference with known moves and measures, `tried` does
both in a process of its own, as the command does; `drawn_with` makes a drawing with errors of the author's choice. One way
through: `pictures` -> `checks`, and `moves` -> `measure` -> `mistaken` -> `advice`; `child` and `run` put them into another
process, `table` prints, `kept` draws.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from featurediff.testing.kit.checks import conforms
    from featurediff.testing.kit.known import drawn_with
    from featurediff.testing.kit.measure import measured
    from featurediff.testing.kit.records import Check, Measured, Row, Trial
    from featurediff.testing.kit.run import tried

_WHERE = {
    "Check": "records", "Measured": "records", "Row": "records", "Trial": "records", "conforms": "checks", "drawn_with": "known",
    "measured": "measure", "tried": "run",
}  # fmt: skip

__all__ = ["Check", "Measured", "Row", "Trial", "conforms", "drawn_with", "measured", "tried"]


def __getattr__(name: str):
    # Loaded when used: the process that tries a detector starts before anything heavy is there.
    if name in _WHERE:
        import importlib

        return getattr(importlib.import_module(f"{__name__}.{_WHERE[name]}"), name)
    raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
