"""The scales at which edges are taken, as fractions of the subject's size."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Tuning:
    """``derivative``: of the edge operator; ``spread``: blur that forgives wobble; ``contrast``: window of the local contrast;
    ``line_width``: of a curve drawn for the line bank."""

    derivative: float
    spread: float
    contrast: float
    line_width: float

    @property
    def grain(self) -> float:
        """Correlation length of the channels."""
        return (self.derivative**2 + self.spread**2) ** 0.5


FINE = Tuning(0.0032, 0.0040, 0.022, 0.004)
COARSE = Tuning(0.0065, 0.0085, 0.040, 0.010)
# Two lines a millimetre apart on a sheet of A4 are two.
CLOSE = Tuning(0.0016, 0.0020, 0.022, 0.003)
