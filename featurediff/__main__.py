"""``python -m featurediff`` does the same as the command ``featurediff``."""

import sys

from featurediff.cli import main

if __name__ == "__main__":
    sys.exit(main())
