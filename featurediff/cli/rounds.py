"""``featurediff check --piece DIR``: a drawing over its rounds."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from featurediff.cli.output import page_of, prepare_folder, print_report, write_report
from featurediff.errors import CallError, FeaturediffError, PieceError

if TYPE_CHECKING:
    from featurediff.comparison import Comparison
    from featurediff.piece.records import Piece, Round
    from featurediff.records import Report
    from featurediff.settings import Settings

# Fixed when a piece is begun: lists made by other settings could not be held against each other.
_FIXED = {"subject": "--subject", "sheet": "--sheet", "lineup": "--lineup", "object": "--object", "marks": "--marks"}


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.piece import store

    folder = Path(arguments.piece)
    begun = store.exists(folder) and bool(store.round_numbers(folder))
    _check_call(arguments, begun)
    store.prepare(folder)
    if begun:
        _one_more(arguments, folder, store.load(folder))
    else:
        _begin(arguments, folder)
    return 0


def _check_call(arguments: argparse.Namespace, begun: bool) -> None:
    shown = arguments.piece
    if begun and arguments.drawing is not None:
        raise CallError(
            f"'{shown}' holds a piece already, with a reference of its own.",
            f"Leave REFERENCE out: featurediff check --piece {shown} DRAWING",
        )
    if not begun and arguments.drawing is None:
        raise CallError(
            f"No piece was begun in '{shown}' yet.",
            f"Begin it with its reference: featurediff check REFERENCE DRAWING --subject NAME --piece {shown}",
        )
    given = [option for name, option in _FIXED.items() if begun and getattr(arguments, name)]
    if given:
        raise CallError(
            f"{' and '.join(given)} can't be changed within a piece: its rounds could not be compared.",
            "Leave it out, or begin another piece.",
        )


# ---------------------------------------------------------------- the first round and the later ones


def _begin(arguments: argparse.Namespace, folder: Path) -> None:
    from featurediff.cli.check import settings_of
    from featurediff.piece.pictures import copy_of

    settings = settings_of(arguments)
    out = prepare_folder(arguments.out) if arguments.out is not None else None
    copy = copy_of(arguments.reference)  # now: beside a comparison there would be less memory for it
    comparison = _compare(arguments.reference, arguments.drawing, settings)
    _add(arguments, folder, comparison, settings, out, (settings, *copy))


def _one_more(arguments: argparse.Namespace, folder: Path, piece: Piece) -> None:
    from featurediff.piece.store import reference_of

    settings = _settings(arguments, piece)
    out = prepare_folder(arguments.out) if arguments.out is not None else None
    # The only picture of the call is the drawing, whatever its place is called.
    comparison = _compare(reference_of(folder), arguments.reference, settings)
    _add(arguments, folder, comparison, settings, out, None)


def _settings(arguments: argparse.Namespace, piece: Piece) -> Settings:
    """The piece's settings; how this photograph was taken and whose sides are told may differ from round to round."""
    from featurediff.configuration import load_settings

    settings = _with_left_out(arguments, piece)
    settings = load_settings(
        settings,
        {"sheet.scan": arguments.scan, "sheet.px_per_mm": arguments.px_per_mm, "corrections.sides": arguments.sides},
    )
    from featurediff.layers import user_detectors

    file = arguments.detector or user_detectors().get(settings.subject)
    if file:
        from featurediff.discovery import load_detector_file

        load_detector_file(file, settings.subject)
    return settings


def _with_left_out(arguments: argparse.Namespace, piece: Piece) -> Settings:
    from featurediff.configuration import load_settings

    if not piece.left_out:
        if arguments.config:
            raise CallError("--config can't be changed within a piece: its rounds could not be compared.", "Leave it out.")
        return piece.settings
    names = ", ".join(f"detector.{name}" for name in piece.left_out)
    given = load_settings(arguments.config).detector if arguments.config else {}
    if not set(piece.left_out) <= set(given):
        raise CallError(f"The piece does not keep {names}, which name files of this machine.", "Give them again: --config FILE")
    own = {name: given[name] for name in piece.left_out}
    return load_settings(piece.settings, {"detector": {**piece.settings.detector, **own}})


def _compare(reference: str | Path, drawing: str | Path, settings: Settings) -> Comparison:
    from featurediff.installation import check_opencv
    from featurediff.marking.detector import detector_for

    detector_for(settings)  # a misspelt subject is told before anything slow begins
    check_opencv()
    from featurediff.comparison import compare

    return compare(reference, drawing, config=settings)


def _add(
    arguments: argparse.Namespace, folder: Path, comparison: Comparison, settings: Settings, out: Path | None, begin: tuple | None
) -> None:
    """Make the comparison the next round, then print it; when it can't be kept, the artist still gets the list."""
    from featurediff.piece import store
    from featurediff.piece.follow import follow
    from featurediff.piece.pictures import squared_jpeg

    told: list[Report] = []

    def judge(piece: Piece) -> Round:
        record, report = follow(comparison.report, settings, piece.rounds, piece.kept)
        told[:] = [report]
        return replace(record, px_per_unit=float(comparison.px_per_unit))

    try:
        record = store.add_round(folder, squared_jpeg(comparison.squared), judge, begin)
    except PieceError:
        print_report(comparison.report, arguments.format)
        raise
    comparison = replace(comparison, report=told[0])
    _print(arguments, comparison, record, settings)
    _write(comparison, record, settings, folder, out)
    if arguments.verbose:
        from featurediff.cli.check import print_seconds

        print_seconds(comparison.report)


def _print(arguments: argparse.Namespace, comparison: Comparison, record: Round, settings: Settings) -> None:
    from featurediff.piece import words

    if arguments.format == "text":
        print(words.head(record, settings.rounds.warn_from) + "\n")
    print_report(comparison.report, arguments.format, {"round": words.round_data(record)})


def _write(comparison: Comparison, record: Round, settings: Settings, folder: Path, out: Path | None) -> None:
    """The report's files go into ``out``; without it, the round's page goes into the folder of the piece."""
    from featurediff.piece import files, store, words
    from featurediff.piece.notes import notes

    told = notes(record, settings.rounds.warn_from)
    if out is not None:
        write_report(comparison, out, {"round": words.round_data(record)}, told)
        return
    try:
        files.write(folder / store.PAGE, page_of(comparison, told))
    except PieceError:
        raise FeaturediffError(
            f"The round was kept, but its page could not be written into '{folder}'.",
            "Make room, or name another folder for it after --out.",
        ) from None
