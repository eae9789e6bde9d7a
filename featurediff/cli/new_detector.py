"""``featurediff new-detector``: a packaged detector to begin with."""

from __future__ import annotations

import argparse


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises CallError."""
    from featurediff.newdetector.write import words_for, write

    folder = write(arguments.name, arguments.into)
    print(f"Written: {folder}, a detector that works and finds dark shapes. What it finds and what it calls that is in")
    print(f"  {folder / 'src' / words_for(arguments.name)['module'] / 'detector.py'} and vocabulary.yaml beside it. Next:")
    print(f"  cd {folder}")
    print('  pip install -e ".[test]" && pytest')
    print(f"  featurediff try {arguments.name} --reference photo.jpg")
    return 0
