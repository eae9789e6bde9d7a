"""What to tell the artist about a capture of the sheet."""

from __future__ import annotations

from featurediff.records import Advice

WANTED_PX_PER_MM = 5.0
BOW_WIDENS, BOW_WARNS = 0.005, 0.01  # of a side
SHADOW_SHARE, GLARE_SHARE = 0.005, 0.002  # of the sheet
SOFT_EDGE_MM, BLURRED_EDGE_MM = 1.0, 2.0
STEEP_TILT_DEG = 15.0


def resolution(px_per_mm: float) -> tuple[Advice, ...]:
    """Advice when the photo is too coarse."""
    if px_per_mm >= WANTED_PX_PER_MM * 0.98:
        return ()
    seen = f"The photo has {px_per_mm:.1f} px per mm on the paper; {WANTED_PX_PER_MM:g} or more are wanted."
    level = "warning" if px_per_mm < WANTED_PX_PER_MM / 2 else "note"
    return (Advice(level, f"{seen} Go closer or use full resolution."),)


def bow(bows: list[float]) -> tuple[Advice, ...]:
    """Advice when page edges are bowed; ``bows`` are fractions of each side."""
    worst = max(abs(value) for value in bows)
    if worst > BOW_WARNS:
        return (
            Advice(
                "warning", f"A page edge is bowed by {100 * worst:.1f} % of its length: weight the corners and photograph again."
            ),
        )
    if worst > BOW_WIDENS:
        return (Advice("note", f"A page edge is bowed by {100 * worst:.1f} % of its length; positions are trusted less for it."),)
    return ()


def beneath(inside_mm: float) -> tuple[Advice, ...]:
    """Advice when the sheet lies on others: its own edge runs ``inside_mm`` inside the outline of all (0: it lies alone)."""
    if inside_mm <= 0:
        return ()
    text = f"The sheet lies on other paper, whose edge shows up to {inside_mm:.0f} mm beside it; it was told apart by its shadow."
    return (Advice("warning", f"{text} Lay it on something darker, alone, and photograph again."),)


def sharpness(edge_mm: float) -> tuple[Advice, ...]:
    """Advice when the page edge is soft; `BLURRED_EDGE_MM` is the limit beyond which the capture is refused."""
    if edge_mm <= SOFT_EDGE_MM:
        return ()
    text = f"The photo is soft: the page edge is {edge_mm:.1f} mm wide (limit {BLURRED_EDGE_MM:g}). Tap to focus, use more light."
    return (Advice("warning", text),)


def tilt(tilt_deg: float) -> tuple[Advice, ...]:
    """Advice when the camera looked at the sheet from the side."""
    if tilt_deg <= STEEP_TILT_DEG:
        return ()
    return (Advice("warning", f"The camera was tilted {tilt_deg:.0f} degrees: hold it level above the sheet."),)


def shadow(share: float) -> tuple[Advice, ...]:
    """Advice when this share of the sheet lies on the hard edge of a shadow."""
    if share <= SHADOW_SHARE:
        return ()
    text = "Something with a hard edge, a shadow or a wash, lies over the sheet; its edge is left aside."
    return (Advice("note", f"{text} If it is a shadow, step to one side of the light."),)


def glare(share: float) -> tuple[Advice, ...]:
    """Advice when this share of the sheet is burnt out by a reflection."""
    if share <= GLARE_SHARE:
        return ()
    text = f"Glare hides {max(100 * share, 1):.0f} % of the sheet: what is drawn there is not judged."
    return (Advice("warning", f"{text} Turn the sheet, or move away from the lamp or window that is mirrored in it."),)


def faint() -> Advice:
    """Advice when the pencil is too faint for this photograph; never to draw darker."""
    text = "The pencil hardly stands out from the paper's grain: light the sheet from the side, or go closer."
    return Advice("warning", text)
