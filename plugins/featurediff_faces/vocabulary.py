"""Names, blocks, gaps and pairs of a portrait: the words and the parts tree, no pixels.

Sides in names are the picture's; the sitter's own come with each record as ``sitter_name`` or ``sitter_label``.

Gap wording: ``follow`` completes both "shorten the nose; ..." and "lengthen the nose; ...", so it names no direction:
"mouth and chin move with it".
"""

from __future__ import annotations

from collections.abc import Collection

from featurediff.api import Gap, Group, Pair, Start

FEATURES = "head/face/features"
EYES = f"{FEATURES}/eyes"
NOSE = f"{FEATURES}/nose"
MOUTH = f"{FEATURES}/mouth"
OUTLINE = "head/face/outline"
LOWER = f"{OUTLINE}/lower"
JAW = f"{LOWER}/jaw"
CHEEKS = f"{OUTLINE}/cheeks"
HAIR = "head/hair"
EARS = "head/ears"
NECK = "body/neck"
SHOULDERS = "body/shoulders"

SIDES = ("left", "right")


def sided(what: str, side: str) -> str:
    """ "brow", "left" -> "brow on the left"."""
    return f"{what} on the {side}"


def sitter(what: str, side: str) -> str:
    """ "brow", "right" -> "sitter's right brow"."""
    return f"sitter's {side} {what}"


def groups(sitter_side: dict[str, str], present: Collection[str]) -> tuple[Group, ...]:
    """The blocks that can move, scale or turn as one. ``present``: the part paths found; blocks without any are left out.

    ``sitter_side`` maps the picture's side to the sitter's.
    """
    blocks = [
        Group("head", "whole head", "size"),
        Group("head/face", "whole face", "size"),
        Group(FEATURES, "eyes, nose and mouth", "proportion", plural=True),
        Group(EYES, "eyes and brows", "placement", plural=True),
        Group(NOSE, "nose", "placement"),
        Group(MOUTH, "mouth", "placement"),
        Group(OUTLINE, "outline of the face", "proportion"),
        Group(LOWER, "chin and jaw", "proportion", plural=True),
        Group(HAIR, "hair", "placement"),
        Group(EARS, "ears", "placement", plural=True),
        Group("body", "neck and shoulders", "placement", plural=True),
        Group(NECK, "neck", "placement"),
    ]
    for side in SIDES:
        own = sitter_side[side]
        label, own_label = f"{sided('eye', side)} and its brow", f"{sitter('eye', own)} and its brow"
        blocks.append(Group(f"{EYES}/{side}", label, "placement", True, own_label))
        blocks.append(Group(f"{EYES}/{side}/eye", sided("eye", side), "placement", False, sitter("eye", own)))
        blocks.append(Group(f"{EARS}/{side}", sided("ear", side), "placement", False, sitter("ear", own)))
    return tuple(block for block in blocks if sum(_under(part, block.part) for part in present) > 1)


def pairs(present: Collection[str]) -> tuple[Pair, ...]:
    """What mirrors each other; only pairs of which both sides were found."""
    both = [
        Pair("eyes", f"{EYES}/left/eye", f"{EYES}/right/eye"),
        Pair("eyes and brows", f"{EYES}/left", f"{EYES}/right"),
        Pair("brows", f"{EYES}/left/brow", f"{EYES}/right/brow", "placement"),
        Pair("face", f"{CHEEKS}/left", f"{CHEEKS}/right", width=True),
        Pair("jaw", f"{JAW}/left", f"{JAW}/right", width=True),
        Pair("nose", f"{NOSE}/wing/left", f"{NOSE}/wing/right", "placement", width=True),
        Pair("ears", f"{EARS}/left", f"{EARS}/right", "placement"),
        Pair("neck", f"{NECK}/left", f"{NECK}/right", "placement", width=True),
        Pair("shoulders", f"{SHOULDERS}/left", f"{SHOULDERS}/right", "placement", width=True),
    ]
    return tuple(pair for pair in both if all(any(_under(part, p) for part in present) for p in (pair.left, pair.right)))


def gaps(parts: dict[str, str]) -> tuple[Gap, ...]:
    """Stretches down the face whose length carries what lies beyond. ``parts`` maps feature name -> part path."""

    def below(*prefixes: str, leave: tuple[str, ...] = ()) -> tuple[str, ...]:
        return tuple(
            name
            for name, part in parts.items()
            if any(_under(part, prefix) for prefix in prefixes) and not any(_under(part, prefix) for prefix in leave)
        )

    nose_end = tuple(f"{NOSE}/{end}" for end in ("base", "tip", "wing"))
    body = ("body",)
    found = [
        Gap("forehead", "down", below(FEATURES, LOWER, *body), "eyes, nose, mouth and chin move with it"),
        Gap("nose", "down", below(*nose_end, MOUTH, LOWER, *body), "mouth and chin move with it"),
        Gap("upper lip", "down", below(MOUTH, LOWER, *body), "mouth and chin move with it"),
        Gap("chin", "down", below(f"{LOWER}/chin"), "the jaw corners stay"),
    ]
    return tuple(gap for gap in found if gap.beyond)


def starts() -> tuple[Start, ...]:
    """The lengths that a portrait is begun with; those whose features are not there are left out by the engine."""
    eyes = tuple((sided("eye", side), corner) for side in SIDES for corner in ("inner corner", "outer corner"))
    both = tuple(((sided("iris", side), "middle"),) for side in SIDES)
    corners = tuple(((sided("mouth corner", side), "middle"),) for side in SIDES)
    cheeks = tuple(((sided("cheek line", side), side),) for side in SIDES)
    hair = tuple((("hair outline", side),) for side in SIDES)
    return (
        Start("crown", "down", ((("hair outline", "top"),),)),
        Start("hairline", "down", ((("hairline", "middle"),),)),
        Start("eye line", "down", (eyes,)),
        Start("base of the nose", "down", ((("base of the nose", "middle"),),)),
        Start("mouth line", "down", (tuple(spot for end in corners for spot in end),)),
        Start("chin", "down", ((("chin", "bottom"),),)),
        Start("middle between the eyes", "across", (eyes,)),
        Start("from pupil to pupil", "apart", both),
        Start("width of the mouth", "apart", corners),
        Start("width of the face", "across", cheeks),
        Start("width of the head with its hair", "across", hair),
    )


def _under(part: str, prefix: str) -> bool:
    return part == prefix or part.startswith(prefix + "/")
