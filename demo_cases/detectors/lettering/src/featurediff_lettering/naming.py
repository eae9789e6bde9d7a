"""What letters are called: by the artist's own text where it fits, by their place where it does not."""

import itertools

import numpy as np

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def names_of(lines, text):
    """For each line, its name and those of its letters, and whether ``text`` was used.

    ``text``: "BOAT HIRE" or one string for each line; spaces do not count. It is used when each line holds as many letters.
    """
    wanted = [part for part in (text if isinstance(text, list) else str(text or "").splitlines()) if str(part).strip()]
    counts = [len(line) for line in lines]
    spelled = _by_lines([str(part) for part in wanted], counts)
    if spelled is None:
        several = len(lines) > 1
        named = [
            (f"the {_nth(i)} line", [f"letter {j + 1}{f' of the {_nth(i)} line' if several else ''}" for j in range(count)])
            for i, count in enumerate(counts)
        ]
        return (named if several else [("the only line", named[0][1])]), not wanted
    letters = _letters(spelled)
    return [(" ".join(words), named) for words, named in zip(spelled, letters, strict=True)], True


def _by_lines(parts, counts):
    """Lists of words for each line, or None where the text does not fit what was found."""
    if len(parts) == len(counts) and [len("".join(part.split())) for part in parts] == counts:
        return [part.split() for part in parts]
    words, lines = [word for part in parts for word in part.split()], []
    for count in counts:  # a text on one line is broken where the lines end
        line = []
        while words and sum(map(len, line)) < count:
            line.append(words.pop(0))
        if sum(map(len, line)) != count:
            return None
        lines.append(line)
    return None if words else lines


def _letters(spelled):
    every = [word for line in spelled for word in line]
    named = []
    for number, line in enumerate(spelled):
        letters = []
        for word in line:
            where = f" on the {_nth(number)} line" if every.count(word) > 1 and len(spelled) > 1 else ""
            for place, letter in enumerate(word):
                many, which = word.count(letter) > 1, word[: place + 1].count(letter) - 1
                letters.append(f"{_nth(which) + ' ' if many else ''}{letter} of {word}{where}")
        named.append(letters)
    return named


def words_in(letters):
    """Where a line's letters fall into words, as lists of indices: at spaces that are much wider than the others."""
    spaces = np.array([b.box[0] - a.box[2] for a, b in itertools.pairwise(letters)])
    height = np.median([letter.height for letter in letters])
    cuts = [i + 1 for i, space in enumerate(spaces) if space > max(0.3 * height, 2.2 * np.median(spaces))]
    return [list(range(a, b)) for a, b in zip([0, *cuts], [*cuts, len(letters)], strict=True)]


def _nth(index):
    return ORDINALS[index] if index < len(ORDINALS) else f"{index + 1}th"
