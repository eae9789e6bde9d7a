"""Lettering on a reference: letters with their counters and stems, the lines they stand on, and their rhythm."""

from importlib import resources

from featurediff.api import (
    Advice,
    Detector,
    Feature,
    Group,
    Row,
    Start,
    Subject,
    SubjectError,
)

MOST = 60  # letters
BARE = 0.35  # of the letter's height: the end of a stem without serif or arm is no longer than this


class LetteringDetector(Detector):
    """Everything after `find` is done by featurediff: sheet, matching, line-up, corrections, report."""

    name = "lettering"
    title = "Lettering: painted or drawn letters that stand in lines"
    judges = ("letters and their counters", "stems", "spaces between letters", "place and slope of lines")

    def find(self, picture, settings):
        """`picture.pixels` (h, w, 3) uint8 RGB -> Subject, all points in px of that picture. Raises SubjectError.

        ``settings["text"]``: what is written there, one string or one for each line; it names the letters.
        """
        import cv2
        import numpy as np

        from featurediff_lettering.finding import FEWEST, lines_of_letters
        from featurediff_lettering.naming import names_of

        lines = lines_of_letters(picture.pixels)
        count = sum(map(len, lines))
        if count < FEWEST:
            raise SubjectError(
                f"There are only {count} letters on {picture.name}; {FEWEST} in lines are wanted.",
                "Show letters of one tone on a ground of another, apart from each other.",
            )
        if count > MOST:
            raise SubjectError(
                f"There are {count} patches on {picture.name} that could be letters; {MOST} at most can be told apart.",
                "Crop the picture to the lettering.",
            )
        text = settings.get("text")
        named, fits = names_of(lines, text)
        told = _Told()
        for number, (line, (label, letters)) in enumerate(zip(lines, named, strict=True), start=1):
            told.add_line(f"lettering/line {number}", label, line, letters)
        everything = np.vstack([letter.outline for line in lines for letter in line])
        found = ", ".join(str(len(line)) for line in lines)
        return Subject(
            features=tuple(told.features),
            size_px=float(np.ptp(everything[:, 1])),
            size_label=told.words["size_label"],
            region=cv2.convexHull(everything.astype(np.float32))[:, 0].astype(float),
            groups=(Group("lettering", told.words["whole"], "size"), *told.groups),
            rows=told.all_rows,
            starts=tuple(told.starts),
            advice=() if fits else (Advice("note", f"The text {text!r} does not fit the letters found ({found} in a line)."),),
        )


class _Told:
    """Gathers features, groups, rows and starts, line by line and letter by letter."""

    def __init__(self):
        self.words, self.features, self.groups, self.rows, self.starts, self.lines = vocabulary(), [], [], [], [], []

    def add(self, word, part, kind, points, *, closed=False, slides=False, **names):
        word = self.words[word]
        name, measures = word["name"].format(**names), tuple(word["measures"])
        how = {"importance": word["importance"], "slides": slides}
        self.features.append(Feature(name, part, kind, points, closed, measures, word["tolerance"], **how))
        return name

    def add_line(self, part, label, line, names):
        self.groups.append(Group(part, label.removeprefix("the ") if label.endswith(" line") else f"line {label}"))
        parts = [f"{part}/letter {number}" for number in range(1, len(line) + 1)]
        items = [self.add_letter(*each) for each in zip(parts, names, line, strict=True)]
        self.rows.append(Row(self.words["rhythm"].format(line=label), tuple(names), tuple(items), "across"))
        self.add_starts(label, line, items)
        self.lines.append((label, tuple(name for item in items for name in item)))

    def add_letter(self, part, name, letter):
        """The letter by its outline; where it has stems, by their sides and the outline between them."""
        from featurediff_lettering.strokes import length, rest, stems

        self.groups.append(Group(part, name, apart=True))
        found = stems(letter.outline)
        runs = rest(letter.outline, [side for stem in found for side in stem])
        # No stem; so many strokes that what lies between has no plain name; or a bare end, an edge that slides along itself.
        if not 1 <= len(runs) <= 2 or min(map(length, runs)) < BARE * letter.height:
            found, runs = [], [letter.outline]
        words = ("outline",) if len(runs) == 1 else ("head", "foot")
        items = [
            self.add(word, f"{part}/{word}", "curve", run, closed=not found, letter=name)
            for word, run in zip(words, runs, strict=True)
        ]
        for which, stem in zip(_places(len(found), "left", "right"), found, strict=True):
            for side in stem:
                words = {"letter": name, "which": which, "side": "left" if side.ink_right else "right"}
                items.append(self.add("stem", f"{part}/{which}stem/{words['side']}", "segment", side.line, slides=True, **words))
        for which, counter in zip(_places(len(letter.counters), "upper", "lower"), letter.counters, strict=True):
            items.append(self.add("counter", f"{part}/{which}counter", "curve", counter, closed=True, letter=name, which=which))
        if letter.dot is not None:
            items.append(self.add("dot", f"{part}/dot", "curve", letter.dot, closed=True, letter=name))
        return tuple(items)

    def add_starts(self, label, line, items):
        """Base line, cap line and x-height leave nothing on the paper to be looked for: they are lengths for the plan."""
        from featurediff_lettering.guides import guides

        standing, tall = guides(line)
        heads = [item[0] for item in items]
        feet = [
            next((name for name in item if name.startswith(self.words["foot"]["name"].split("{")[0])), item[0]) for item in items
        ]
        stands = tuple((foot, "bottom") for foot, yes in zip(feet, standing, strict=True) if yes)

        def tops(chosen):
            return tuple((head, "top") for head, yes in zip(heads, chosen, strict=True) if yes)

        lengths = [("base", "down", (stands,)), ("rise", "down", (tops(tall), stands))]
        if not tall.all():
            lengths.append(("low", "down", (tops(~tall), stands)))
        lengths.append(("width", "across", (((heads[0], "left"),), ((heads[-1], "right"),))))
        self.starts += [Start(self.words["starts"][word].format(line=label), way, ends) for word, way, ends in lengths]

    @property
    def all_rows(self):
        """The rhythm of each line, and of the lines where there are several."""
        if len(self.lines) < 2:
            return tuple(self.rows)
        labels, items = zip(*self.lines, strict=True)
        return (*self.rows, Row(self.words["lines"], labels, items, "down"))


def _places(count, first, last):
    """Words for so many things in order, each with a space behind: none for one, "middle" for the one between."""
    if count < 2:
        return [""] * count
    between = ["middle "] if count == 3 else [f"{k}. inner " for k in range(1, count - 1)]
    return [f"{first} ", *between, f"{last} "]


def vocabulary():
    """The words of `vocabulary.yaml`."""
    import yaml

    return yaml.safe_load(resources.files(__package__).joinpath("vocabulary.yaml").read_text(encoding="utf-8"))
