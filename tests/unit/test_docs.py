"""README and DEVELOPERS: links lead somewhere, commands and options exist, the tree names real folders."""

import dataclasses
import re
import shlex
from pathlib import Path

import pytest

from featurediff.cli import build_parser

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
ids = [page.name for page in PAGES]


@pytest.mark.parametrize("page", PAGES, ids=ids)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        path, _, heading = target.partition("#")
        assert not path or (ROOT / path).exists(), target
        if heading:
            text = (ROOT / path if path else page).read_text(encoding="utf-8")
            assert heading in {h.lower().replace(" ", "-") for h in re.findall(r"^#+ (.+)$", text, re.MULTILINE)}, target


@pytest.mark.parametrize("page", PAGES, ids=ids)
def test_commands_shown_are_commands_that_parse(page):
    text = page.read_text(encoding="utf-8")
    shown = re.findall(r"^featurediff .+$", text, re.MULTILINE) + re.findall(r"`(featurediff [^`]+)`", text)
    given = "featurediff (check .|keep .|progress .|plan .|habits .|try .|new-detector .|subjects|demo)"
    commands = [each for each in shown if re.match(given, each) and each != "featurediff check"]
    assert commands
    for command in commands:
        build_parser().parse_args(shlex.split(command)[1:])


def test_every_option_of_check_is_in_readme():
    text = PAGES[0].read_text(encoding="utf-8")
    check = build_parser()._subparsers._group_actions[0].choices["check"]
    for action in check._actions:
        for option in action.option_strings:
            assert option in ("-h", "--help") or f"`{option}" in text, f"README lacks {option}"


def test_the_tree_in_developers_names_what_is_there():
    (tree,) = re.findall(r"```\n(featurediff/ .*?)```", PAGES[1].read_text(encoding="utf-8"), re.DOTALL)
    engine = tree[: tree.index("plugins/ ")]
    named = set(re.findall(r"\b(\w+)(?:\.py|/)", engine)) | {"__init__", "__main__"}
    there = {p.stem for p in (ROOT / "featurediff").iterdir() if p.suffix == ".py" or (p / "__init__.py").exists()}
    assert there <= named | {"naming"}, f"DEVELOPERS.md lacks {there - named}"


def test_everything_a_detector_hands_over_is_explained():
    """Each field of a feature and a subject, each method and setting of a detector, each check of the kit, with its limits."""
    from featurediff import api
    from featurediff.handover import wellformed
    from featurediff.testing.kit import checks

    text = PAGES[1].read_text(encoding="utf-8")
    section = text[text.index("## Write a detector") : text.index("## Examples")]
    fields = [f.name for record in (api.Feature, api.Subject) for f in dataclasses.fields(record)]
    own = [name for name in vars(api.Detector) if not name.startswith("_")]
    for name in (*fields, *own):
        assert f"`{name}`" in section or f"Detector.{name}" in section, f"DEVELOPERS.md lacks {name}"
    for word in (*wellformed.MEASURES, *wellformed.KINDS, *wellformed.CLASSES, *api.STAGES):
        assert f'"{word}"' in section, f"DEVELOPERS.md lacks {word}"
    for name in checks.CHECKS:
        assert name in section, f"DEVELOPERS.md lacks the check '{name}'"
    assert f"{wellformed.MOST_FEATURES} at most" in section
    assert f"less than {checks.SLOW_S:g} s" in section
    assert f"{api.Detector.time_limit_s:g} unless you say more" in section
