"""The sentence of every kind of item."""

from __future__ import annotations

from featurediff.corrections import say_forms, say_meetings, say_rows, words
from featurediff.corrections.items import Item
from featurediff.corrections.rank import SMALL
from featurediff.corrections.words import Speech
from featurediff.deviations import Compared

# A point outside the drawing is moved, never drawn anew; the lines that meet there change by far less.
_NOT_REDRAWN = ("redraw", "eye level", "aim", "closing")
_SAY = words.SAY | say_meetings.SAY | say_rows.SAY | say_forms.SAY


def sentence(item: Item, compared: tuple[Compared, ...], speech: Speech, redraw_times: float) -> str:
    """The sentence of an item, with its full stop."""
    far = item.size > redraw_times
    if far and item.kind == "move":
        text = words.say_far_move(item, speech)
    else:
        text = _SAY[item.kind](item, compared, speech)
        if far and item.kind not in _NOT_REDRAWN:
            several = item.hypothesis is not None and item.hypothesis.plural
            text += f"; that is too far off to adjust: redraw {'them' if several else 'it'}"
        elif item.kind != "redraw" and item.size < SMALL:
            text += " (small: if you are there anyway)"
    return text[0].upper() + text[1:] + "."
