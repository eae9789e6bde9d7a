"""The `faces` detector: the order of the steps, nothing of how each is done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from featurediff.api import Advice, Detector, Guess, Picture, Subject, SubjectError
from featurediff.errors import ConfigError

if TYPE_CHECKING:
    from featurediff_faces.landmarks import Face, LandmarkModel
    from featurediff_faces.silhouette import SilhouetteModel


# Degrees of lean beyond which a picture is taken to lie on its side: left and right would lose their meaning.
LYING = 60.0


class FacesDetector(Detector):
    """Finds one face on the reference and names its features."""

    name = "faces"
    title = "Portraits: one face, with hair, ears and neck where they can be seen"
    judges = ("brows", "eyes and irises", "nose", "mouth", "chin, jaw and cheek lines", "hair", "ears", "neck and shoulders")
    settings: Mapping[str, str] = {
        "face": "which one, if the reference shows several: 1 is the largest",
        "landmark_model": "path of another copy of the landmark model",
        "silhouette_model": "path of another copy of the silhouette model",
    }

    def __init__(self) -> None:
        self._models: dict[str, Any] = {}
        self._settings: Mapping[str, Any] = {}  # of the latest `find`; `guess` gets none of its own

    def find(self, picture: Picture, settings: Mapping[str, Any]) -> Subject:
        """See `featurediff.api.Detector.find`.

        Settings: ``face`` (1 = the largest face, 2 = the next ...), ``landmark_model`` and ``silhouette_model`` (paths).
        Raises `SubjectError` when no face is found, `DetectorError` when a model is missing or altered.
        """
        from featurediff_faces.frame import make_frame
        from featurediff_faces.judging import judge
        from featurediff_faces.outline import find_outline
        from featurediff_faces.refined import refined_features
        from featurediff_faces.silhouette import silhouette
        from featurediff_faces.subject import assemble

        _check(settings)
        self._settings = settings
        face, advice = self._choose(picture, settings)
        frame = make_frame(picture.pixels, face)
        outline = find_outline(frame, silhouette(self._silhouettes(settings), frame))
        features, not_judged, more = judge(frame, face, refined_features(frame), outline)
        return assemble(face, frame, features, outline, not_judged, advice + more)

    def guess(self, drawing: Picture, subject: Subject) -> tuple[Guess, ...]:
        """Landmark hits on the drawing, as an idea to be confirmed: they pull every error towards an average face."""
        from featurediff_faces.guesses import CONFIDENCE, guesses

        return guesses(self._landmarks(self._settings, CONFIDENCE), drawing.pixels, subject)

    def close(self) -> None:
        """Release the models."""
        while self._models:
            self._models.popitem()[1].close()

    def _landmarks(self, settings: Mapping[str, Any], confidence: float = 0.5) -> LandmarkModel:
        from featurediff_faces.landmarks import LandmarkModel

        path = str(settings.get("landmark_model", "") or "")
        key = f"landmarks {confidence} {path}"
        if key not in self._models:
            self._models[key] = LandmarkModel(path, confidence)
        return self._models[key]

    def _silhouettes(self, settings: Mapping[str, Any]) -> SilhouetteModel:
        from featurediff_faces.silhouette import SilhouetteModel

        path = str(settings.get("silhouette_model", "") or "")
        key = f"silhouette {path}"
        if key not in self._models:
            self._models[key] = SilhouetteModel(path)
        return self._models[key]

    def _choose(self, picture: Picture, settings: Mapping[str, Any]) -> tuple[Face, tuple[Advice, ...]]:
        from featurediff_faces.landmarks import find_faces, sharpen_face

        model = self._landmarks(settings)
        faces = find_faces(model, picture.pixels)
        if not faces:
            raise self._no_face(model, picture)
        wanted = settings.get("face", 1)
        if not 1 <= wanted <= len(faces):
            raise SubjectError(
                f"The setting face: {wanted} asks for a face that '{picture.name}' does not show.",
                f"It shows {len(faces)}; choose 1 (the largest) to {len(faces)}.",
            )
        advice = ()
        if len(faces) > 1:
            which = "the largest" if wanted == 1 else f"number {wanted} by size"
            advice = (
                Advice("note", f"{len(faces)} faces in the reference; {which} is judged. Set detector: face: to choose another."),
            )
        face = sharpen_face(model, picture.pixels, faces[wanted - 1])
        if abs(face.roll) > LYING:
            how = "upside down" if abs(face.roll) > 135 else f"a quarter turn to the {'left' if face.roll > 0 else 'right'}"
            raise SubjectError(
                f"The face in '{picture.name}' is not upright: it leans {abs(face.roll):.0f} degrees.",
                f"Turn the picture {how} and try again.",
            )
        return face, advice

    def _no_face(self, model: LandmarkModel, picture: Picture) -> SubjectError:
        import numpy as np

        from featurediff_faces.landmarks import LOOK_AT, find_faces, shrink_evenly

        # As much of it as is looked at in quarters of a side: large pictures are turned in a fraction of the time.
        small = shrink_evenly(picture.pixels, max(max(picture.pixels.shape[:2]) // (4 * LOOK_AT), 1))
        what = f"No face was found in '{picture.name}'."
        for quarters, words in ((1, "left"), (3, "right"), (2, "upside down")):
            if find_faces(model, np.ascontiguousarray(np.rot90(small, quarters))):
                turn = "upside down" if words == "upside down" else f"a quarter turn to the {words}"
                return SubjectError(what, f"One is found when the picture is turned {turn}: turn it upright and try again.")
        return SubjectError(
            what,
            "Crop the picture to the head with some room around it, choose one that is well lit and sharp and shows both "
            "eyes, and turn it upright.",
        )


def _check(settings: Mapping[str, Any]) -> None:
    """Raise `ConfigError` for a setting that can't be used."""
    face = settings.get("face", 1)
    if isinstance(face, bool) or not isinstance(face, int):
        raise ConfigError(f"detector: face: is '{face}'.", "It takes a whole number: 1 for the largest face, 2 for the next.")
