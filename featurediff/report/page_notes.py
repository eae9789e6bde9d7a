"""What a page tells of a round, beside the list itself; filled by whoever knows the rounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class RoundNotes:
    """A round in words.

    ``states``: number in the list -> what became of it ("better", "new", "went 1.5 mm too far"). ``careful``: numbers where the
    paper has had enough, ``care`` the warning for them. ``done``: what was put right since the round before, ``remarks``: what
    else there is to say (kept, told together, moved though kept).
    """

    number: int
    summary: str
    states: Mapping[int, str] = field(default_factory=dict)
    careful: tuple[int, ...] = ()
    care: str = ""
    done: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
