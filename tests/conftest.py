"""Tests read no settings of whoever runs them, and those side by side do not share out one core's work over all cores."""

import os

os.environ["FEATUREDIFF_SETTINGS"] = ""
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
