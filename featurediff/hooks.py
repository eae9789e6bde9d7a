"""The hook that a detector plugin implements. One cheap hook: it hands over detector objects and imports nothing heavy."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from featurediff.api import Detector

PROJECT = "featurediff"
ENTRY_POINT_GROUP = "featurediff.detectors"

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


class Hookspecs:
    """Signatures of all hooks."""

    @hookspec
    def featurediff_detectors(self) -> list[Detector]:
        """Return the detector objects of this plugin.

        Called once after the plugin is loaded. Must be cheap: no model, no picture, no heavy import; those belong into the
        detector's methods.
        """
