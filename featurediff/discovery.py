"""Find detectors and load the one asked for.

In stages, so that a faulty plugin harms nobody who does not ask for it: read the entry points (imports nothing) -> choose ->
load that one -> check its hook -> take its detector objects -> check those. The name of an entry point is the subject's name.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import hashlib
import importlib.util
import os
import sys
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.machinery import SourceFileLoader
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import pluggy

from featurediff.errors import DetectorError
from featurediff.hooks import ENTRY_POINT_GROUP, PROJECT, Hookspecs
from featurediff.naming import did_you_mean
from featurediff.timelimit import TimeUp, time_limit

if TYPE_CHECKING:
    from featurediff.api import Detector

HOOK = "featurediff_detectors"
# A plugin's first module is small, and its hook only hands over objects.
LOAD_LIMIT_S = 20.0
_TOO_SLOW = f"was not loaded within {LOAD_LIMIT_S:g} s and was stopped"


@dataclass(frozen=True)
class Found:
    """A detector as its package announces it, before anything of it is imported.

    ``name``: the subject. ``package`` and ``version``: the installed package ("" if unknown). ``value``: the module.
    """

    name: str
    value: str
    package: str
    version: str
    entry_point: EntryPoint

    @property
    def origin(self) -> str:
        """Where it came from, in words: "featurediff 0.1.0 (featurediff_faces)"."""
        package = f"{self.package} {self.version}".strip() or "an unnamed package"
        return f"{package} ({self.value})"


_loaded: dict[str, Detector] = {}  # from entry points, by subject
_from_file: dict[str, Detector] = {}  # from .py files, by subject; they go before the installed ones
_files: dict[tuple[str, int, int], tuple[Detector, ...]] = {}  # by path, time of change and size
_plugins: dict[int, tuple[Detector, str]] = {}  # whose detector an object is, by its id; holding it keeps the id its own


def find_detectors() -> tuple[Found, ...]:
    """All installed detectors, sorted by name. Imports none of them."""
    found = []
    for point in entry_points(group=ENTRY_POINT_GROUP):
        package, version = _package_of(point)
        found.append(Found(point.name, point.value, package, version, point))
    return tuple(sorted(set(found), key=lambda f: (f.name, f.package, f.value)))


def load_detector(name: str) -> Detector:
    """The detector of a subject: one given by file before, else the installed one. Loaded once per process.

    Raises DetectorError when there is none, more than one, or a faulty one; the message names the package.
    """
    if name in _from_file:
        return _from_file[name]
    if name not in _loaded:
        _loaded[name] = load_found(_choose(name, find_detectors()))
    return _loaded[name]


def load_found(found: Found) -> Detector:
    """Load and check one announced detector. Raises DetectorError."""
    plugin = f"Detector '{found.name}' of {found.origin}"
    try:
        with time_limit(LOAD_LIMIT_S):
            module = found.entry_point.load()
    except TimeUp:
        raise DetectorError(f"{plugin} {_TOO_SLOW}.", _repair(found)) from None
    except (Exception, SystemExit) as error:
        raise DetectorError(f"{plugin} can't be loaded: {fault_of(error)}.", _repair(found)) from error
    detectors = _take(module, plugin)
    for detector in detectors:
        if detector.name == found.name:
            return detector
    offered = ", ".join(f"'{d.name}'" for d in detectors) or "none"
    raise DetectorError(
        f"{plugin} offers no detector of that name, only: {offered}.",
        "The entry point must bear the name of the detector.",
    )


def load_detector_file(path: str | Path, name: str | None = None) -> Detector:
    """The detector in a Python file; ``name`` picks one if it offers several. Afterwards `load_detector` finds it by name.

    The file is run under a name of its own, without changing ``sys.path`` or writing next to it. Raises DetectorError.
    """
    detectors = _detectors_of_file(Path(path))
    names = [d.name for d in detectors]
    if name is None and len(detectors) > 1:
        raise DetectorError(f"'{path}' offers several detectors: {', '.join(names)}.", "Choose one with --subject.")
    chosen = names[0] if name is None else name
    if chosen not in names:
        raise DetectorError(f"'{path}' has no detector '{chosen}', only: {', '.join(names)}{did_you_mean(chosen, names, '.')}")
    detector = detectors[names.index(chosen)]
    _from_file[chosen] = detector
    return detector


def plugin_of(detector: Any) -> str:
    """Whose detector an object is, as the subject of a sentence: "Detector 'kites' of kites-package 2.1 (kites_plugin)"."""
    known = _plugins.get(id(detector))
    if known is not None:
        return known[1]
    name = getattr(detector, "name", None)
    kind = type(detector)
    return f"Detector '{name}' ({kind.__module__}.{kind.__qualname__})" if isinstance(name, str) else f"The {kind.__name__} given"


def close_detectors() -> None:
    """Release the models of all loaded detectors; a fault in one does not stop the others. Happens by itself at the end."""
    for detector in {id(d): d for d in (*_loaded.values(), *_from_file.values())}.values():
        with contextlib.suppress(Exception):
            detector.close()
    for store in (_loaded, _from_file, _files, _plugins):
        store.clear()


@functools.cache
def _close_at_the_end() -> None:
    """Have `close_detectors` run before the interpreter stops the threads that models need to close.

    `atexit` comes too late for that. `threading` has an earlier hook, run last in first out, so ours must come after that of the
    thread pools. The hook is private: where it is gone, `atexit` has to do.
    """
    import concurrent.futures.thread  # noqa: F401

    getattr(threading, "_register_atexit", atexit.register)(close_detectors)


# ---------------------------------------------------------------- choosing


def _choose(name: str, found: Iterable[Found]) -> Found:
    found = tuple(found)
    matching = [f for f in found if f.name == name]
    if len(matching) == 1:
        return matching[0]
    names = sorted({f.name for f in found})
    if not matching:
        raise DetectorError(
            f"There is no detector for the subject '{name}'{did_you_mean(name, names, '.')}",
            f"Installed: {', '.join(names) or 'none'}. See 'featurediff subjects', or name a file with --detector.",
        )
    origins = " and ".join(f.origin for f in matching)
    raise DetectorError(f"The detector '{name}' is offered twice, by {origins}.", "Uninstall one of them.")


def _package_of(point: EntryPoint) -> tuple[str, str]:
    """Name and version of the installed package, as far as its metadata is whole."""
    try:
        return point.dist.name or "", point.dist.version or ""
    except Exception:  # broken metadata of one package must not hide the others
        return "", ""


# ---------------------------------------------------------------- loading a file


class _QuietLoader(SourceFileLoader):
    """Runs a source file and leaves no compiled copy next to it."""

    def set_data(self, path: str, data: bytes, **_: Any) -> None:
        pass


def _detectors_of_file(path: Path) -> tuple[Detector, ...]:
    if os.path.isdir(path):
        raise DetectorError(f"The detector file '{path}' is a folder.", "Name a Python file in it.")
    try:
        stat = path.stat()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise DetectorError(f"The detector file '{path}' can't be read: {why}.", "Check its name.") from error
    if path.suffix != ".py" or not os.path.isfile(path):
        raise DetectorError(f"The detector file '{path}' is no Python file.", "Its name must end in .py.")
    key = (str(path.resolve()), stat.st_mtime_ns, stat.st_size)
    if key not in _files:
        plugin = f"The detector file '{path}'"
        detectors = _take(_run_file(path, plugin), plugin)
        if not detectors:
            raise DetectorError(f"{plugin} offers no detector.", f"Its {HOOK} must return one at least.")
        _files[key] = detectors
    return _files[key]


def _run_file(path: Path, plugin: str) -> ModuleType:
    name = f"featurediff_file_{path.stem}_{hashlib.sha256(os.fsencode(path.resolve())).hexdigest()[:8]}"
    spec = importlib.util.spec_from_file_location(name, path, loader=_QuietLoader(name, str(path)))
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # before it runs: dataclasses with postponed annotations look themselves up here
    try:
        with time_limit(LOAD_LIMIT_S):
            spec.loader.exec_module(module)
    except TimeUp:
        sys.modules.pop(name, None)
        raise DetectorError(f"{plugin} {_TOO_SLOW}.", "Mend it: heavy work belongs into the detector's methods.") from None
    except (Exception, SystemExit) as error:
        sys.modules.pop(name, None)
        raise DetectorError(f"{plugin} can't be loaded: {fault_of(error)}.", "Mend it; --verbose shows where.") from error
    return module


# ---------------------------------------------------------------- checking what was loaded


def _take(module: Any, plugin: str) -> tuple[Detector, ...]:
    """The detectors that a loaded plugin hands over, checked one by one. Raises DetectorError naming plugin and hook."""
    _close_at_the_end()
    # A manager of its own for each plugin: a fault can only be this one's.
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(Hookspecs)
    try:
        manager.register(module, name=plugin)
        manager.check_pending()
    except Exception as error:
        raise DetectorError(
            f"{plugin} has a faulty hook: {fault_of(error)}.", f"The hook is {HOOK}, without arguments."
        ) from error
    if not manager.hook.featurediff_detectors.get_hookimpls():
        raise DetectorError(f"{plugin} has no hook {HOOK}.", "Define it and mark it with featurediff.api.hookimpl.")
    try:
        with time_limit(LOAD_LIMIT_S):
            results = manager.hook.featurediff_detectors()
    except TimeUp:
        raise DetectorError(f"{plugin}: its hook {HOOK} was not done within {LOAD_LIMIT_S:g} s and was stopped.") from None
    except (Exception, SystemExit) as error:
        raise DetectorError(f"{plugin} failed in its hook {HOOK}: {fault_of(error)}.") from error
    detectors = []
    for result in results:
        if not isinstance(result, (list, tuple)):
            raise DetectorError(f"{plugin}: {HOOK} returned {type(result).__name__}; a list of detectors is wanted.")
        detectors.extend(result)
    for detector in detectors:
        try:
            _check(detector, plugin)
        except DetectorError:
            raise
        except Exception as error:  # an attribute of it that raises
            raise DetectorError(f"{plugin}: {type(detector).__name__} is faulty: {fault_of(error)}.") from error
    names = [d.name for d in detectors]
    if len(set(names)) < len(names):
        raise DetectorError(f"{plugin}: {HOOK} returned two detectors of one name.")
    for detector in detectors:
        named = plugin if plugin.startswith("Detector ") else f"Detector '{detector.name}' of the {plugin.removeprefix('The ')}"
        _plugins[id(detector)] = (detector, named)
    return tuple(detectors)


def _check(detector: Any, plugin: str) -> None:
    """That an object handed over is a detector this version can work with. Raises DetectorError."""
    from featurediff.api import API_VERSION, Detector

    kind = type(detector).__name__
    if isinstance(detector, type):
        raise DetectorError(
            f"{plugin}: {HOOK} returned the class {detector.__name__}; hand over an object: {detector.__name__}()."
        )
    for method in ("find", "guess", "prepare", "close"):
        if not callable(getattr(detector, method, None)):
            raise DetectorError(f"{plugin}: {kind} has no method '{method}'.", "Derive it from featurediff.api.Detector.")
    if getattr(type(detector), "find", None) is Detector.find:
        raise DetectorError(f"{plugin}: {kind} does not define 'find'.")
    name = getattr(detector, "name", None)
    if not isinstance(name, str) or not name.strip():
        raise DetectorError(f"{plugin}: {kind} has no 'name'.", "It is what one types after --subject.")
    version = getattr(detector, "api_version", None)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise DetectorError(f"{plugin}: {kind} does not say its 'api_version'.", f"This is version {API_VERSION}.")
    if version > API_VERSION:
        raise DetectorError(
            f"{plugin} was written for version {version} of the detector interface; this featurediff has {API_VERSION}.",
            "Update featurediff.",
        )
    judges = getattr(detector, "judges", ())
    if isinstance(judges, str) or not all(isinstance(j, str) for j in judges):
        raise DetectorError(f"{plugin}: 'judges' of {kind} must be a tuple of words.")
    _check_settings(getattr(detector, "settings", None), f"{plugin}: 'settings' of {kind}")


def _check_settings(settings: Any, named: str) -> None:
    if settings is None:
        return
    words = isinstance(settings, Mapping) and all(isinstance(word, str) for pair in settings.items() for word in pair)
    if not words:
        raise DetectorError(f"{named} must be a dict of names and what they mean, both in words.")


def fault_of(error: BaseException) -> str:
    """An error as the end of a sentence: "ZeroDivisionError: division by zero"."""
    text = " ".join(str(error).split()).rstrip(".")
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def _repair(found: Found) -> str:
    return f"Install {found.package} again or uninstall it; --verbose shows where it failed." if found.package else ""
