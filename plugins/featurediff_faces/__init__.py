"""Portrait faces as a subject: brows, eyes, nose, mouth, outline, hair, ears, neck.

A face is measured so that a drawing of it can be compared with this very picture. It is never identified, never compared
with another face and never with an ideal. Pixels stay on this machine; nothing is sent anywhere.

This module is what the entry point names: light, no model, no picture library.
"""

from featurediff.api import hookimpl
from featurediff_faces.detector import FacesDetector


@hookimpl
def featurediff_detectors():
    return [FacesDetector()]
