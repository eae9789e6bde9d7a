"""Buildings as a subject: the lines a sketcher draws, where they meet, and the rhythm of what repeats.

This module is what the entry point names: light, no picture library.
"""

from featurediff.api import hookimpl
from featurediff_architecture.detector import ArchitectureDetector


@hookimpl
def featurediff_detectors():
    return [ArchitectureDetector()]
