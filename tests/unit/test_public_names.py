"""The names that `import featurediff` offers."""

import importlib.util
import subprocess
import sys

CODE = """
import featurediff
import featurediff.comparison, featurediff.cli.check
assert callable(featurediff.check), featurediff.check
assert callable(featurediff.check), "the second time as well"
assert featurediff.Report.__name__ == "Report"
try:
    featurediff.nonsense
except AttributeError as error:
    assert "nonsense" in str(error)
else:
    raise SystemExit("no AttributeError")
"""


def test_check_is_the_function_whatever_was_imported_before():
    subprocess.run([sys.executable, "-c", CODE], check=True, timeout=60)


def test_no_module_hides_a_public_name():
    # Importing a module puts its name on the package: a module named like the function would take the function's place.
    for name in ("check", "Report"):
        assert importlib.util.find_spec(f"featurediff.{name}") is None
