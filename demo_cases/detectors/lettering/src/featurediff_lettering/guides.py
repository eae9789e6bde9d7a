"""Which letters of a line stand on its base line, and which of those reach the cap line or only the x-height."""

import numpy as np

NEAR = 0.05  # of the letters' height: round letters reach a little beyond the line that flat ones stand on
TALL = 1.18  # so much taller than the shortest: capitals among small letters


def guides(letters):
    """(standing, tall), (n,) bool each; all are tall where there is only one height."""
    feet = np.array([(letter.box[[0, 2]].mean(), letter.box[3]) for letter in letters])
    reach = NEAR * np.median([letter.height for letter in letters])
    slope, at = _most(feet, reach)
    low = slope * feet[:, 0] + at
    standing = np.abs(feet[:, 1] - low) < reach
    rise = low - [letter.box[1] for letter in letters]
    tall = rise > TALL * rise.min()
    return standing, tall if tall.any() else np.ones(len(letters), bool)


def _most(spots, reach):
    """Slope and height of the line through two of the spots that most others lie near."""
    best, most = (0.0, float(np.median(spots[:, 1]))), (0, 0.0)
    for i in range(len(spots)):
        for j in range(i + 1, len(spots)):
            slope = (spots[j, 1] - spots[i, 1]) / max(spots[j, 0] - spots[i, 0], 1e-6)
            at = spots[i, 1] - slope * spots[i, 0]
            away = np.abs(slope * spots[:, 0] + at - spots[:, 1])
            rank = (int((away < reach).sum()), -float(away[away < reach].sum()))
            if rank > most:
                best, most = (slope, at), rank
    return best
