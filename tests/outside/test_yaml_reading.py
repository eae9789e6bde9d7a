"""The values read from a settings file against PyYAML's own reading, which follows the YAML 1.1 type repository.

Source: "Language-Independent Types for YAML Version 1.1" (yaml.org/type: bool, int, float), implemented by PyYAML's SafeLoader.
"""

import pytest
import yaml

from featurediff.configuration import load_settings


@pytest.mark.parametrize("text", ["5", "5.5", "+7", "12.", "1_0", "1.0e+1", "2.5E+0", "0", "0.0", "199.99"])
def test_numbers(tmp_path, text):
    path = tmp_path / "a.yaml"
    path.write_text(f"sheet: {{px_per_mm: {text}}}")
    assert load_settings(path).sheet.px_per_mm == yaml.safe_load(text)


@pytest.mark.parametrize("text", ["true", "True", "TRUE", "yes", "Yes", "on", "ON", "false", "no", "No", "off", "OFF"])
def test_flags(tmp_path, text):
    path = tmp_path / "a.yaml"
    path.write_text(f"sheet: {{scan: {text}}}")
    assert load_settings(path).sheet.scan is yaml.safe_load(text)


@pytest.mark.parametrize(
    "text", ["a: [1, 2.5, no, 'no', null]", "a: &x {b: 1}\nc: *x", "a: 2024-01-02", "a: |\n  two\n  lines\n"]
)
def test_the_block_that_is_handed_on(tmp_path, text):
    path = tmp_path / "a.yaml"
    path.write_text("detector:\n" + "".join(f"  {line}\n" for line in text.splitlines()))
    assert load_settings(path).detector == yaml.safe_load(text)


@pytest.mark.parametrize(("text", "read_as"), [("no", False), ("1e3", "1e3"), ("12:30", 750), ("010", 8)])
def test_the_pitfalls_are_real(text, read_as):
    assert yaml.safe_load(text) == read_as
