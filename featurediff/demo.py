"""The shipped examples: each a folder with a reference, a photographed drawing and the answer it should give."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from featurediff.errors import CallError
from featurediff.naming import did_you_mean


@dataclass(frozen=True)
class Demo:
    """One example. ``expected``: what was put wrong on purpose, in words. ``moves``: the same as data (see ``answer.json``).

    ``objects``: things named by boxes on the reference, as with ``--object``. ``marks``: the file of marks that it is
    compared by, instead of a detector of the subject; ``detector``: the Python file that holds its detector.
    """

    name: str
    title: str
    story: str
    subject: str
    sheet: str
    reference: Path
    drawing: Path
    expected: tuple[str, ...]
    moves: tuple[dict, ...]
    objects: tuple[str, ...] = ()
    marks: Path | None = None
    detector: Path | None = None


def demos_folder() -> Path:
    """The folder of all examples, wherever the package lies. Raises CallError."""
    try:
        import featurediff_demo_cases
    except ImportError as error:
        raise CallError("The examples are not installed.", "Install featurediff again: pip install .") from error
    return Path(featurediff_demo_cases.__file__).parent


def find_demos() -> tuple[Demo, ...]:
    """All examples, by subject and name."""
    return tuple(_read(path) for path in sorted(demos_folder().glob("*/*/answer.json")))


def get_demo(name: str) -> Demo:
    """The example of that name; a subject's name means its first example. Raises CallError."""
    demos = find_demos()
    for demo in demos:
        if name == demo.name:
            return demo
    for demo in demos:
        if name == demo.subject:
            return demo
    known = [demo.name for demo in demos] + sorted({demo.subject for demo in demos})
    raise CallError(f"There is no example '{name}'{did_you_mean(name, known, '.')}", f"There are: {', '.join(known) or 'none'}.")


def _read(path: Path) -> Demo:
    answer = json.loads(path.read_text(encoding="utf-8"))
    folder = path.parent
    return Demo(
        name=folder.name,
        title=answer["title"],
        story=answer["story"],
        subject=folder.parent.name,
        sheet=answer["sheet"],
        reference=folder / "reference.jpg",
        drawing=folder / "drawing.jpg",
        expected=tuple(answer["expected"]),
        moves=tuple(answer["moves"]),
        marks=folder / "marks.yaml" if (folder / "marks.yaml").exists() else None,
        detector=folder / answer["detector"] if "detector" in answer else None,
        objects=tuple(answer.get("objects", ())),
    )
