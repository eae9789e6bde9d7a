"""The `architecture` detector: the order of the steps, nothing of how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from featurediff.api import Detector, Picture, Subject, SubjectError
from featurediff.errors import ConfigError

# Fewer lines than these are no building.
FEWEST = 4


class ArchitectureDetector(Detector):
    """Finds the lines of buildings on the reference and names them."""

    name = "architecture"
    title = "Buildings: outlines, verticals, receding lines, windows and their rhythm"
    judges = ("corners and verticals", "roof lines, sills and kerbs", "eye level", "windows and doors", "arches and domes")
    settings: Mapping[str, str] = {
        "straighten_verticals": "true: verticals that converge in the photograph are meant to be drawn plumb"
    }

    def prepare(self, picture: Picture, settings: Mapping[str, Any]) -> Picture:
        """The picture with its verticals straightened, when ``straighten_verticals`` is set."""
        _check(settings)
        if not settings.get("straighten_verticals", False):
            return picture
        from featurediff_architecture.directions import find_directions
        from featurediff_architecture.segments import find_lines
        from featurediff_architecture.straighten import straightened
        from featurediff_architecture.working import working_copy

        working = working_copy(picture.pixels)
        return straightened(picture, find_directions(find_lines(working), working.size), working.scale)

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """See `featurediff.api.Detector.find`.

        Setting: ``straighten_verticals`` (see `prepare`). Raises `SubjectError` when hardly any lines of a building are found,
        `ConfigError` for a setting it can't use.
        """
        from featurediff_architecture.choose import candidates, choose, extent, on_building
        from featurediff_architecture.classify import classify
        from featurediff_architecture.clutter import find_ground
        from featurediff_architecture.curves import along_arcs, find_arcs
        from featurediff_architecture.directions import find_directions
        from featurediff_architecture.facades import find_facades, in_picture, off_openings, on_openings
        from featurediff_architecture.features import arc_features, junctions, line_features, meetings
        from featurediff_architecture.fronts import find_fronts, span_of
        from featurediff_architecture.naming import name_arcs, name_lines
        from featurediff_architecture.rhythm import rhythm_of
        from featurediff_architecture.roles import tell_lines
        from featurediff_architecture.segments import find_lines, raw_segments
        from featurediff_architecture.subject import assemble, building_size, lean_advice
        from featurediff_architecture.working import working_copy

        _check(settings)
        working = working_copy(picture.pixels)
        raw = raw_segments(working.grey)
        lines = find_lines(working, raw)
        directions = find_directions(lines, working.size)
        ground = find_ground(working, lines)
        found = candidates(lines, *classify(lines, directions), ground, working)
        found = found.take(on_building(found, directions, working.size))
        if len(found) < FEWEST:
            raise _no_building(picture)
        fronts = find_fronts(found, directions)
        facades = find_facades(working, lines, directions, fronts)
        box = extent(found)
        size, _ = building_size(box)
        arcs = off_openings(find_arcs(raw, working, ground, box, size), facades, size)
        own = on_openings(found, facades, size) | along_arcs(found.lines.ends, arcs)
        chosen = choose(found.take(~own), size, span_of(found, fronts)[~own])
        if len(chosen) < FEWEST:
            raise _no_building(picture)
        told = tell_lines(chosen, fronts, found, size, working.size)
        named = name_lines(told.roles, told.ends, fronts, box)
        features = line_features(named, told.ends, told.joints, working) + arc_features(name_arcs(arcs, box), working)
        meet = meetings(told.lines, named, directions, working)
        rhythm = rhythm_of(in_picture(facades, working))
        corners = junctions(named, told.ends, told.joints)
        return assemble(features, corners, meet, fronts, rhythm, box, working, lean_advice(directions, box))


def _no_building(picture: Picture) -> SubjectError:
    return SubjectError(
        f"Hardly any lines of a building were found in '{picture.name}'.",
        "Choose a picture in which a building fills at least a third of the frame, sharp, and upright.",
    )


def _check(settings: Mapping[str, Any]) -> None:
    """Raise `ConfigError` for a setting that can't be used."""
    straighten = settings.get("straighten_verticals", False)
    if not isinstance(straighten, bool):
        raise ConfigError(f"detector: straighten_verticals: is '{straighten}'.", "It takes true or false.")
