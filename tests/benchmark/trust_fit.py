"""Tables from what `trust.py doubt --keep FILE` measured on scenes to develop on: uncertainties, and how sure corrections are.

    python tests/benchmark/trust.py doubt --subjects faces --scenes 3,5,8,21 --keep faces.pickle
    python tests/benchmark/trust_fit.py faces.pickle ...

Prints `STATED` as it stands in `featurediff/doubt.py`, each row with the number of measures it rests on, how many of them lie
within one and two stated sigmas then, and by what the cautious uncertainty would be multiplied to hold both shares. What was
measured too seldom is left out. Then the shares of hits as they stand in `featurediff/corrections/rank.py`.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path

import numpy as np
from trust_doubt import ONE, TWO

FEWEST = 30
FAR = 0.1
TRIED = np.arange(0.1, 4.01, 0.01)


def main(files: list[str]) -> int:
    """Print the tables."""
    done = [doubt for name in files for doubt in pickle.loads(Path(name).read_bytes())]
    show_stated([reading for doubt in done for reading in doubt.readings])
    show_hits([said for doubt in done for said in doubt.items])
    return 0


def show_stated(readings: list) -> None:
    """Print `featurediff.doubt.STATED`."""
    from featurediff.doubt import sort_of, stated_factor

    measured: dict[tuple[str, str], list] = {}
    for reading in readings:
        measured.setdefault((reading.form, sort_of(reading.measure)), []).append(reading)
    for (form, sort), some in sorted(measured.items()):
        if len(some) < FEWEST:
            print(f"    # {form}, {sort}: too few ({len(some)})")
            continue
        # Sigmas were kept with the factors of the table as it is, and with the sheet's part.
        error, own, sigma, cautious = np.array([(abs(r.error), r.own, r.sigma, r.cautious) for r in some]).T
        shares = within(error, own / stated_factor(form, sort), np.sqrt(np.maximum(sigma**2 - own**2, 0.0)))
        best = _best(shares)
        asked = max(np.percentile(error / cautious, 100 * ONE), np.percentile(error / cautious, 100 * TWO) / 2)
        one, two = 100 * shares[best]
        note = f"{len(some)}: {one:.0f}, {two:.0f} %; cautious ones {asked:.2f} times"
        print(f'    ("{form}", "{sort}"): {TRIED[best]:.2f},  # {note}')


def _best(shares: np.ndarray) -> int:
    """Which factor misses the worse of both shares by least; where even so one is missed by far, the 95 % are held."""
    missed = np.abs(shares - (ONE, TWO)).max(1)
    return int(missed.argmin() if missed.min() < FAR else (shares[:, 1] >= TWO).argmax())


def show_hits(items: list) -> None:
    """Print `featurediff.corrections.rank.HITS`: shares of hits, one hit and one miss more counted than there were."""
    from featurediff.corrections.rank import HITS, believed, sort_of

    items = [each for each in items if believed(each)]
    for name in HITS:
        some = [each.hit for each in items if sort_of(each.kind, each.size) == name]
        print(f'    "{name}": {(sum(some) + 1) / (len(some) + 2):.2f},  # {sum(some)} of {len(some)}')


def within(error: np.ndarray, own: np.ndarray, rest: np.ndarray) -> np.ndarray:
    """(f, 2): shares of the errors (n,) within one and two sigmas, the part ``own`` (n,) times each of `TRIED`."""
    sigmas = np.hypot(TRIED[:, None] * own, rest)
    return np.column_stack([(error < times * np.maximum(sigmas, 1e-9)).mean(1) for times in (1, 2)])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
