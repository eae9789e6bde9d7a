"""``featurediff mark``: name and click features on the reference, on a page that only this machine can see."""

from __future__ import annotations

import argparse
import os
import shlex
from pathlib import Path


def run(arguments: argparse.Namespace) -> int:
    """Run the command until the page saves or Ctrl-C ends it. Raises FeaturediffError."""
    from featurediff.marking.desk import beside, open_desk
    from featurediff.marking.server import MarkServer

    reference = Path(arguments.reference)
    out = Path(arguments.out) if arguments.out else beside(reference)
    continued = os.path.exists(out)
    server = MarkServer(open_desk(reference, out))
    try:
        print(f"{'Continuing' if continued else 'The marks will go into'} {out}")
        print(f"The page: {server.address}")
        print("It can be opened on this machine only. It ends when you save; Ctrl-C ends it without saving.", flush=True)
        if not arguments.no_browser:
            _show(server.address)
        server.serve_forever(poll_interval=0.2)
    except KeyboardInterrupt:
        print("Ended; nothing was saved.")
        return 130
    finally:
        server.server_close()
    print(server.saved)
    print(f"Next: featurediff check {shlex.quote(arguments.reference)} DRAWING --marks {shlex.quote(str(out))} --sheet A4")
    return 0


def _show(address: str) -> None:
    import contextlib
    import webbrowser

    with contextlib.suppress(webbrowser.Error):  # none here: the address is printed above
        webbrowser.open(address)
