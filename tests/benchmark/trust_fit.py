"""The table of `featurediff.doubt` from what `trust.py doubt --keep FILE` measured on scenes to develop on.

    python tests/benchmark/trust.py doubt --scenes 3,5,8 --scan --keep doubt.pickle
    python tests/benchmark/trust_fit.py doubt.pickle

Prints, for each form of feature and sort of measure, by how much stated uncertainties must be multiplied so that 68 % of true
errors lie within one and 95 % within two of them; where both can't be had, the larger factor.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path

import numpy as np

FEWEST = 20


def main(files: list[str]) -> int:
    """Print the table."""
    from featurediff.doubt import factor_of, sort_of

    done = [doubt for name in files for doubt in pickle.loads(Path(name).read_bytes())]
    errors: dict[tuple[str, str], list[float]] = {}
    for reading in (r for doubt in done for r in doubt.readings):
        # Stated ones hold the factor of the table as it is.
        own = reading.own / factor_of(reading.form, reading.measure)
        errors.setdefault((reading.form, sort_of(reading.measure)), []).append(abs(reading.error) / max(own, 1e-9))
    for (form, sort), z in sorted(errors.items()):
        one, two = np.percentile(z, 68.3), np.percentile(z, 95.4) / 2
        note = "" if len(z) >= FEWEST else "  # too few"
        print(f'    ("{form}", "{sort}"): {max(one, two):.2f},  # {len(z)}: {one:.2f} by one sigma, {two:.2f} by two{note}')
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
