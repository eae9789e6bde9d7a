"""A process that has used a model ends in silence."""

import subprocess
import sys

CODE = """
import numpy as np
from featurediff.discovery import load_detector
from featurediff.errors import SubjectError
from featurediff.records import Picture
try:
    load_detector("faces").find(Picture(np.full((300, 300, 3), 200, np.uint8), "grey.png"), {})
except SubjectError as error:
    print(error.what)
"""


def test_models_are_closed_before_the_interpreter_ends():
    run = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, timeout=120)
    assert run.returncode == 0
    assert "face" in run.stdout
    assert run.stderr == ""
