"""Data flows one way: a module may import only what stands before it. Read from the source, without running it."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "featurediff"
PLUGINS = ROOT / "plugins"

# The flow. A stage imports from earlier lines only; names on one line do not know each other. Add a new module at its place.
FLOW = [
    ["errors", "naming", "timelimit", "plainfiles"],
    ["plainyaml"],
    ["records", "settings", "geometry", "paths"],
    ["hooks"],
    ["api"],
    ["installation"],
    ["parts"],
    ["pictures"],
    ["sheet"],
    ["marks"],
    ["configuration", "discovery"],
    ["marking", "layers"],
    ["handover"],
    ["matching"],
    ["weights"],
    ["lineup"],
    ["aims", "bends", "blocks", "stations"],
    ["doubt"],
    ["deviations"],
    ["corrections"],
    ["report"],
    ["comparison"],
    ["piece"],
    ["habits"],
    ["classroom"],
    ["planning"],
    ["demo"],
    ["newdetector"],
    ["testing"],
    ["cli"],
    ["__main__"],
]
PLACE = {name: place for place, names in enumerate(FLOW) for name in names}

# Report.to_dict hands over to the report's module, inside the method, so that a report can give its own JSON form.
ALLOWED_BACK = {("records", "report")}

# What each foreign package may be used by. Everything else is the standard library.
ENGINE_MAY_USE = {"numpy", "cv2", "PIL", "pillow_heif", "pluggy", "yaml", "jinja2", "markupsafe", "tqdm", "platformdirs"}
TESTING_MAY_USE = ENGINE_MAY_USE | {"skimage", "scipy"}
# What a plugin may import of the engine: the interface; plain geometry and the errors are free of any state; pictures that it is
# told to read are read with the engine's checks.
FOR_PLUGINS = {"featurediff.api", "featurediff.geometry", "featurediff.paths", "featurediff.errors", "featurediff.pictures"}
PLUGINS_MAY_USE = {"numpy", "cv2", "PIL"}
ONLY_HERE = {"mediapipe": "featurediff_faces"}

# These stay importable without any heavy package: the command line and a plugin's first module stand on them.
LIGHT = [
    "__init__",
    "errors",
    "naming",
    "plainfiles",
    "timelimit",
    "records",
    "settings",
    "hooks",
    "api",
    "installation",
    "discovery",
    "demo",
    "cli",
]
HEAVY = {"numpy", "cv2", "PIL", "pillow_heif", "mediapipe", "yaml", "jinja2", "markupsafe"}


def modules(folder):
    return sorted(folder.rglob("*.py"))


def imports(path, package_root, top_level_only=False):
    """(absolute module, names imported from it) for every import of a file but those for type checkers."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = {n for block in ast.walk(tree) if _is_type_checking(block) for n in ast.walk(block)}
    nodes = tree.body if top_level_only else ast.walk(tree)
    for node in nodes:
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, []
        elif isinstance(node, ast.ImportFrom):
            names = [alias.name for alias in node.names]
            yield _absolute(node, path, package_root), names


def _is_type_checking(node):
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def _absolute(node, path, package_root):
    if node.level == 0:
        return node.module
    parts = path.relative_to(package_root).with_suffix("").parts
    base = parts[: len(parts) - node.level]
    return ".".join([*base, *([node.module] if node.module else [])])


def stage_of(path):
    return path.relative_to(ENGINE).with_suffix("").parts[0]


def stages_imported(module, names):
    """The engine's stages that an import statement reaches."""
    parts = module.split(".")
    if parts[0] != "featurediff":
        return []
    return [parts[1]] if len(parts) > 1 else [name for name in names if name in PLACE]


ENGINE_MODULES = [p for p in modules(ENGINE) if p != ENGINE / "__init__.py"]


def test_every_stage_has_its_place():
    unknown = {stage_of(p) for p in ENGINE_MODULES} - set(PLACE)
    assert not unknown, f"put {unknown} into FLOW, at the place where it stands in a run"


@pytest.mark.parametrize("path", ENGINE_MODULES, ids=lambda p: p.relative_to(ENGINE).as_posix())
def test_the_flow_runs_one_way(path):
    own = stage_of(path)
    for module, names in imports(path, ROOT):
        for stage in stages_imported(module, names):
            assert stage in PLACE, f"{module} is not in FLOW"
            if (own, stage) in ALLOWED_BACK:
                continue
            assert stage == own or PLACE[stage] < PLACE[own], f"{own} imports {stage}, which stands after it"


@pytest.mark.parametrize("path", modules(ENGINE), ids=lambda p: p.relative_to(ENGINE).as_posix())
def test_the_engine_knows_no_plugin_and_few_libraries(path):
    allowed = TESTING_MAY_USE if "testing" in path.parts else ENGINE_MAY_USE
    for module, _ in imports(path, ROOT):
        top = module.split(".")[0]
        if top.startswith("featurediff_"):
            assert top in ("featurediff_configs", "featurediff_demo_cases"), f"the engine imports the plugin {top}"
        else:
            assert top in allowed or top == "featurediff" or top in sys.stdlib_module_names, f"{module} is not for the engine"


@pytest.mark.parametrize("name", LIGHT)
def test_light_modules_stay_light(name):
    path = ENGINE / name
    for file in modules(path) if path.is_dir() else [ENGINE / f"{name}.py"]:
        for module, _ in imports(file, ROOT, top_level_only=True):
            assert module.split(".")[0] not in HEAVY, f"{file.name} imports {module} at its top; import it where it is used"


@pytest.mark.parametrize("path", modules(PLUGINS), ids=lambda p: p.relative_to(PLUGINS).as_posix())
def test_plugins_use_the_public_module_only(path):
    own = path.relative_to(PLUGINS).parts[0]
    for module, names in imports(path, PLUGINS):
        top = module.split(".")[0]
        if top == "featurediff":
            reached = [f"featurediff.{n}" for n in names] if module == "featurediff" else [module]
            assert set(reached) <= FOR_PLUGINS, f"a plugin imports {reached}; {sorted(FOR_PLUGINS)} are for plugins"
        elif top.startswith("featurediff_"):
            assert top == own, f"{own} imports the plugin {top}"
        elif top in ONLY_HERE:
            assert ONLY_HERE[top] == own
        else:
            assert top in PLUGINS_MAY_USE or top in sys.stdlib_module_names, f"{module} is not for plugins"


def test_only_the_face_plugin_has_a_word_about_its_model():
    for path in modules(ENGINE):
        if path.parent.name in ("testing", "cli") or path.name == "installation.py":
            continue
        assert "import mediapipe" not in path.read_text(encoding="utf-8"), path


def test_the_guard_sees_what_it_should(tmp_path):
    """The guard itself: each way to import, inside functions too, is seen; imports for type checkers are not."""
    package = tmp_path / "featurediff" / "sheet"
    package.mkdir(parents=True)
    path = package / "find.py"
    path.write_text(
        "from __future__ import annotations\nfrom typing import TYPE_CHECKING\nimport featurediff.report.text\n"
        "from .. import corrections\nfrom . import sizes\nfrom featurediff import lineup\n"
        "if TYPE_CHECKING:\n    from featurediff.comparison import check\ndef f():\n    from ..matching.locate import locate\n"
    )
    seen = [stage for module, names in imports(path, tmp_path) for stage in stages_imported(module, names)]
    assert sorted(seen) == ["corrections", "lineup", "matching", "report", "sheet"]
