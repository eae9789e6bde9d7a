"""``featurediff config``: the settings that hold here, and where each came from."""

from __future__ import annotations

import argparse
import json


def run(arguments: argparse.Namespace) -> int:
    """Run the command. Raises FeaturediffError."""
    from featurediff.cli.check import options_of
    from featurediff.layers import load_layers, told

    layered = load_layers(arguments.config, options_of(arguments))
    rows = [(name, _yaml(value), origin) for name, value, origin in told(layered)]
    if arguments.where:
        _print_layers(layered.layers)
    wide = max(len(f"{name}: {value}") for name, value, _ in rows)
    for name, value, origin in rows:
        line = f"{name}: {value}"
        print(f"{line:<{min(wide, 48)}}  {origin}" if arguments.where else line)
    for subject, path in layered.detectors.items():
        print(f"detectors.{subject}: {path}" + (f"  {layered.layers[1].path}" if arguments.where else ""))
    return 0


def _print_layers(layers) -> None:
    print("Settings come from, later ones win:")
    for number, layer in enumerate(layers, 1):
        place = f": {layer.path}" if layer.path is not None else ""
        print(f"  {number}. {layer.name}{place}{'' if layer.there or layer.path is None else ' (not there)'}")
    print()


def _yaml(value: object) -> str:
    """A value as a settings file would have it, on one line."""
    if isinstance(value, str):
        return value if value and value.isascii() and value.replace(" ", "").replace("-", "").isalnum() else json.dumps(value)
    return json.dumps(value, ensure_ascii=False, default=str)
