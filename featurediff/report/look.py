"""What all pictures of featurediff share: colours, a picture paled so that marks on it stand out, text in lines."""

from __future__ import annotations

from PIL import Image

INK = (24, 24, 28)
ACCENT = (150, 24, 40)
PAPER = (255, 255, 255)
EDGE = (170, 170, 170)


def shrunk(image: Image.Image, long_side: int) -> tuple[Image.Image, float]:
    """The picture with its long side at most ``long_side`` px, areas averaged, and the factor it was shrunk by."""
    factor = min(1.0, long_side / max(image.size))
    if factor < 1.0:
        image = image.resize((round(image.width * factor), round(image.height * factor)), Image.Resampling.BOX)
    return image, factor


def paled(image: Image.Image, share: float) -> Image.Image:
    """The picture with its darkness reduced to ``share`` of what it was."""
    return image.point(lambda value: round(255 - (255 - value) * share))


def wrapped(text: str, font, width: float) -> list[str]:
    """The text in lines of at most ``width`` px in a Pillow ``font``; a longer word has a line of its own."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and font.getlength(longer) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
