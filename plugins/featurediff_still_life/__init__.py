"""Things on a table as a subject: contours, ellipses, axes and the gaps between them.

This module is what the entry point names: light, no picture library.
"""

from featurediff.api import hookimpl
from featurediff_still_life.detector import StillLifeDetector


@hookimpl
def featurediff_detectors():
    return [StillLifeDetector()]
