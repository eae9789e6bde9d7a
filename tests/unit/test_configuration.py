"""Settings files: what is read, and what is told about mistakes."""

import dataclasses
import typing

import pytest

from featurediff.configuration import CHOICES, RANGES, load_settings, presets
from featurediff.errors import ConfigError
from featurediff.settings import Settings


@pytest.fixture
def write(tmp_path):
    def write_file(text, name="my.yaml"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write_file


def mistakes(path):
    with pytest.raises(ConfigError) as caught:
        load_settings(path)
    return str(caught.value).replace(str(path), path.name).splitlines()


def test_without_a_file_all_defaults_hold():
    assert load_settings() == Settings()


def test_a_file_changes_only_what_it_names(write):
    settings = load_settings(write("subject: faces\nsheet: {size: A3}\ntolerances:\n  B:\n    percent: 1.5\n"))
    assert (settings.subject, settings.sheet.size) == ("faces", "A3")
    assert (settings.tolerances.B.floor_mm, settings.tolerances.B.percent) == (Settings().tolerances.B.floor_mm, 1.5)
    assert settings.tolerances.A == Settings().tolerances.A


@pytest.mark.parametrize("text", ["", "# only a remark\n", "---\n", "sheet:\n", "importance:\ndetector:\n", "{}"])
def test_an_empty_file_or_block_keeps_the_defaults(write, text):
    assert load_settings(write(text)) == Settings()


def test_importance_and_detector_blocks(write):
    settings = load_settings(write("importance: {chin: 0.4, brow on the left: 1}\ndetector: {face: 2, deep: {list: [1, a]}}\n"))
    assert settings.importance == {"chin": 0.4, "brow on the left": 1.0}
    assert settings.detector == {"face": 2, "deep": {"list": [1, "a"]}}


def test_the_command_line_wins(write):
    path = write("subject: faces\nsheet: {size: A3, px_per_mm: 4}\n")
    settings = load_settings(path, {"sheet.size": "A5", "sheet.scan": None, "corrections.sides": "sitter", "sheet.px_per_mm": 7})
    assert (settings.sheet.size, settings.sheet.px_per_mm, settings.sheet.scan) == ("A5", 7.0, False)
    assert settings.corrections.sides == "sitter"


def test_complete_settings_pass_through():
    settings = load_settings(None, {"sheet.size": "A5"})
    assert load_settings(settings) == settings
    assert load_settings(settings, {"lineup.rule": "eyes"}).lineup.rule == "eyes"


def test_all_mistakes_are_told_at_once_with_their_places(write):
    found = mistakes(
        write("subject: faces\nsheet:\n  sise: A4\n  px_per_mm: wide\ntolerances:\n  A:\n    percent: 900\nshown_at_most: 3\n")
    )
    assert found == [
        "my.yaml:3:3: sheet: unknown setting 'sise'; did you mean 'size'?",
        "my.yaml:4:14: sheet.px_per_mm: a number is wanted, not 'wide'; write it without a unit",
        "my.yaml:7:14: tolerances.A.percent: 900 is out of range; 0 to 50 is allowed",
        "my.yaml:8:1: unknown setting 'shown_at_most' here; it belongs under 'corrections:'",
    ]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("subject: no", "YAML reads no as yes or no; put it in quotes: 'no'"),
        ("subject: 12", "YAML reads 12 as a number; put it in quotes: '12'"),
        ("subject: 2024-01-02", "YAML reads 2024-01-02 as a date; put it in quotes: '2024-01-02'"),
        ("subject:", "subject: has no value; write one, or leave the line out"),
        ("subject: [a]", "one value is wanted here, not a list"),
        ("sheet: A4", "a block of settings is wanted here: size, px_per_mm, scan"),
        ("sheet: [1]", "a block of settings is wanted here"),
        ("sheet: {size: 12:30}", "YAML reads 12:30 as a number; put it in quotes"),
        ("sheet: {size: A9}", "'A9' is not a sheet size"),
        ("sheet: {px_per_mm: 1e1}", "YAML reads 1e1 as text: write 10 plainly"),
        ("sheet: {px_per_mm: '12'}", "YAML reads 12 as text: write 12 plainly, without quotes"),
        ("sheet: {px_per_mm: 1:30}", "YAML reads 1:30 as a time, in sixtieths; write a plain number"),
        ("sheet: {px_per_mm: 010}", "to another base than ten"),
        ("sheet: {px_per_mm: 0x1F}", "to another base than ten"),
        ("sheet: {px_per_mm: .inf}", ".inf is no finite number"),
        ("sheet: {px_per_mm: .nan}", ".nan is no finite number"),
        ("sheet: {px_per_mm: '1,5'}", "write a point for the comma: 1.5"),
        ("sheet: {px_per_mm: 5 mm}", "not '5 mm'; write it without a unit"),
        ("sheet: {px_per_mm: yes}", "a number is wanted; YAML reads yes as yes or no"),
        ("sheet: {px_per_mm: -1}", "-1 is out of range; 0 to 200 is allowed"),
        ("sheet: {px_per_mm: }", "has no value; write a number, or leave the line out"),
        ("sheet: {scan: 1}", "true or false is wanted, not '1'"),
        ("sheet: {scan: 'true'}", "true or false is wanted, not 'true'"),
        ("sheet: {scan: {a: 1}}", "one value is wanted here, not a block"),
        ("lineup: {rule: 'a,b,c'}", "'a,b,c' is no line-up"),
        ("lineup: {rule: 'chin,chin'}", "is no line-up"),
        ("corrections: {shown_at_most: 2.5}", "a whole number is wanted, not 2.5"),
        ("corrections: {sides: sittr}", "'sittr' is not one of picture, sitter; did you mean 'sitter'?"),
        ("importance: {chin: 2}", "importance.chin: 2 is out of range; 0 to 1 is allowed"),
        ("importance: 3", "a block of 'name: value' lines is wanted here"),
        ("importance: {[a]: 1}", "a name is wanted here"),
        ("detector: {1: a}", "the name 1 is not text; put it in quotes"),
        ("detector: text", "a block of settings is wanted here"),
        ("detector: !!python/object/apply:os.getcwd []", "a block of settings is wanted here"),
        ("detector: {a: !!python/object/apply:os.getcwd []}", "could not determine a constructor"),
        ("subject: a\nsubject: b", "'subject' is given twice, first on line 1"),
        ("nonsense: 1", "unknown setting 'nonsense'; known here: subject, sheet"),
        ("- subject", "a block of settings is wanted here"),
        ("just words", "a block of settings is wanted here"),
        ("sheet: {size: A4", "not valid YAML"),
        ("sheet:\n\tsize: A4", "a tab; YAML wants spaces for indentation"),
        ("a: 1\n---\nb: 2", "a second document starts here"),
        ("sheet: *paper", "undefined alias"),
        ("sheet: &s {size: *s}", "one value is wanted here, not a block"),
    ],
)
def test_each_mistake_in_words(write, line, told):
    (found,) = mistakes(write(line))
    assert told in found
    assert found.startswith("my.yaml:")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xff\xfe\x00bad", "not text in UTF-8"),
        (b"subject: \xe9\n", "not text in UTF-8"),
        (b"subject: \x00\n", "not a YAML file"),
        (b"#" * 1_000_001, "too many for a file of this kind"),
        (b"[" * 5000, "nested too deeply"),
    ],
)
def test_files_that_are_no_settings(write, content, told):
    assert told in " ".join(mistakes(write(content)))


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(ConfigError, match="There is no settings file 'faces-a44'; did you mean 'faces-a4'"):
        load_settings("faces-a44")
    with pytest.raises(ConfigError, match="is a folder"):
        load_settings(tmp_path)


def test_a_windows_file_with_byte_order_mark_and_crlf(write):
    assert load_settings(write(b"\xef\xbb\xbfsubject: faces\r\nsheet:\r\n  size: A4\r\n")).sheet.size == "A4"


@pytest.mark.parametrize("given", [{"sheet.sise": "A4"}, {"sheet.size": 4}, {"sheet.size": "A9"}, {"corrections.sides": "x"}])
def test_wrong_values_from_a_caller(given):
    with pytest.raises(ConfigError):
        load_settings(None, given)


@pytest.mark.parametrize("name", sorted(presets()))
def test_every_shipped_file_loads(name):
    settings = load_settings(name)
    if name != "every-setting":
        assert name.startswith(settings.subject)
        assert settings.sheet.size or settings.detector, "it sets something"


def test_the_file_of_all_settings_names_all_and_shows_the_defaults():
    assert load_settings("every-setting") == Settings()
    text = presets()["every-setting"].read_text(encoding="utf-8")
    for name in leaves(Settings):
        assert f"{name.rsplit('.', 1)[-1]}:" in text, f"configs/every-setting.yaml lacks {name}"


def test_every_number_has_a_range_and_every_rule_a_setting():
    numbers = {name for name, kind in leaves(Settings).items() if kind in (int, float)}
    assert numbers == set(RANGES) - {"importance.*"}
    assert set(CHOICES) <= set(leaves(Settings))


def leaves(kind, prefix=""):
    found = {}
    for name, of in typing.get_type_hints(kind).items():
        if dataclasses.is_dataclass(of):
            found |= leaves(of, f"{prefix}{name}.")
        else:
            found[prefix + name] = of
    return found
