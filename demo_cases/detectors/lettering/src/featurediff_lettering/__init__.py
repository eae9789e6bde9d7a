"""The plugin: hands over its detector. Nothing heavy is imported here; the detector does that when it works."""

from featurediff.api import hookimpl


@hookimpl
def featurediff_detectors():
    """The one hook."""
    from featurediff_lettering.detector import LetteringDetector

    return [LetteringDetector()]
