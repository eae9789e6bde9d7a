"""The known mistakes of faces, buildings and tables, as the benchmarks of each subject draw them, for motifs of any of them."""

from __future__ import annotations

from collections.abc import Callable

import facades
import portraits


def mistakes(subject: str) -> dict[str, Callable]:
    """name -> (scene, mm per px) -> warp; amounts in mm on the paper. ValueError, KeyError or IndexError where a scene has
    nothing of the kind."""
    from featurediff.testing import table_mistakes

    every = {"faces": portraits.moves(), "architecture": facades.moves(), "still-life": table_mistakes.MISTAKES}[subject]
    return {name: move for name, move in every.items() if name != "perfect"}
