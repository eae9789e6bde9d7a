"""Tests read no settings of whoever runs them."""

import os

os.environ["FEATUREDIFF_SETTINGS"] = ""
