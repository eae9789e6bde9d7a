"""Settings files: what is read, and what is told about mistakes."""

import dataclasses
import re
import sys
import typing
from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, given
from hypothesis import settings as settings_of_fuzz
from hypothesis import strategies as st

from featurediff import cli, layers
from featurediff.configuration import CHOICES, RANGES, load_settings, presets, read_values
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


def test_the_file_of_all_settings_names_all_shows_the_defaults_and_explains_each():
    assert load_settings("every-setting") == Settings()
    path = presets()["every-setting"]
    stands = read_values(path, path.name).lines
    free = {name for name, kind in leaves(Settings).items() if typing.get_origin(kind) is dict}
    assert set(stands) == set(leaves(Settings)) - free, "configs/every-setting.yaml names each setting at its place"
    lines = path.read_text(encoding="utf-8").splitlines()
    for name in free:
        stands[name] = lines.index(f"{name}: {{}}") + 1
    for name, number in stands.items():
        above = lines[: number - 1]
        begun = max(k for k, line in enumerate(["", *above]) if not line.strip())
        assert "#" in "".join(lines[begun:number]), f"{name} is not explained"


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


# ---------------------------------------------------------------- fuzz: never a traceback

NAMES = sorted({word for name in leaves(Settings) for word in name.split(".")} | {"chin", "detectors", "nonsense"})
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.dates() | st.sampled_from(["A4", "eyes"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(NAMES) | st.integers(), inner, max_size=4),
    max_leaves=15,
)  # fmt: skip
WHOLE = presets()["every-setting"].read_text(encoding="utf-8")


def read_or_told(path):
    try:
        settings = load_settings(path)
    except ConfigError as error:
        assert str(error)
    else:
        assert isinstance(settings, Settings)


@settings_of_fuzz(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(values=st.dictionaries(st.sampled_from(NAMES), VALUES, max_size=5) | VALUES)
def test_no_values_end_in_a_traceback(tmp_path_factory, values):
    path = tmp_path_factory.getbasetemp() / "fuzz.yaml"
    path.write_text(yaml.safe_dump(values), encoding="utf-8")
    read_or_told(path)


@settings_of_fuzz(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_no_text_ends_in_a_traceback(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "fuzz.yaml"
    bits = st.text(max_size=40) | st.text(alphabet="{}[]:,-&*!|>'\"%@<= \n\tab19.", max_size=40)
    bits |= st.sampled_from(
        ["!!int x", "!!float [a]", "!!timestamp 2001-99-99", "!!binary x", "!!set {a, b}", "<<: *a", "0x", "1__0", "? [a]"]
    )
    at, cut = data.draw(st.integers(0, len(WHOLE))), data.draw(st.integers(0, 12))
    for text in (data.draw(bits), WHOLE[:at] + data.draw(bits) + WHOLE[at + cut :], f"detector: {{a: {data.draw(bits)}}}"):
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        read_or_told(path)


@pytest.mark.parametrize(("line", "told"), [
    ("sheet: {px_per_mm: " + "9" * 5000 + "}", "too many digits"), ("detector: {a: " + "9" * 5000 + "}", "too many digits"),
    ("detector: {a: 2001-99-99}", "can't be read"), ("sheet: {px_per_mm: !!int x}", "a number is wanted, not 'x'"),
    ("sheet: {scan: !!bool x}", "true or false is wanted, not 'x'"), ("detector: {a: !!int x}", "can't be read"),
    ("detector: &a {b: *a}", "found unconstructable recursive node"),
    ('"\\e[31m": 1', "unknown setting '?[31m'"),
])  # fmt: skip
def test_values_that_once_ended_in_a_traceback_or_could_spoil_a_terminal(write, line, told):
    (found,) = mistakes(write(line))
    assert told in found and len(found) < 400


def test_aliases_of_aliases_are_refused_before_they_fill_the_memory(write):
    text = "a: &a [1]\n" + "".join(f"{c}: &{c} [{', '.join([f'*{b}'] * 40)}]\n" for b, c in zip("abcdef", "bcdefg", strict=True))
    (found,) = mistakes(write("detector:\n" + "".join(f"  {line}\n" for line in text.splitlines())))
    assert "write it without aliases" in found


# ---------------------------------------------------------------- layers


@pytest.fixture
def places(tmp_path, monkeypatch):
    """The user's own file, and the working folder's, both not there yet."""
    own = tmp_path / "home" / "featurediff.yaml"
    own.parent.mkdir()
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setenv(layers.VARIABLE, str(own))
    return own, tmp_path / "work" / "featurediff.yaml"


def test_later_layers_win_and_each_setting_says_where_it_came_from(places, write):
    own, here = places
    own.write_text("subject: faces\nsheet: {size: A5, px_per_mm: 3}\nimportance: {chin: 0.1, ear: 0.2}\n")
    here.write_text("sheet:\n  size: A3\nimportance:\n  chin: 0.4\n")
    named = write("corrections:\n  shown_at_most: 3\n  merge_mm: 2\n")
    found = layers.load_layers(named, {"corrections.shown_at_most": 5, "lineup.rule": None})
    settings = found.settings
    assert (settings.subject, settings.sheet.size, settings.sheet.px_per_mm) == ("faces", "A3", 3.0)
    assert (settings.corrections.shown_at_most, settings.corrections.merge_mm) == (5, 2.0)
    assert settings.importance == {"chin": 0.4, "ear": 0.2}
    told = {name: origin for name, _, origin in layers.told(found)}
    assert told["subject"] == f"{own}:1" and told["sheet.size"] == "featurediff.yaml:2" and told["sheet.px_per_mm"] == f"{own}:2"
    assert told["corrections.merge_mm"] == f"{named}:3" and told["corrections.shown_at_most"] == "command line"
    assert told["importance.chin"] == "featurediff.yaml:4" and told["importance.ear"] == f"{own}:3"
    assert told["lineup.rule"] == "default" and {name.split(".")[0] for name in told} == {
        f.name for f in dataclasses.fields(Settings)
    }
    assert found.given("corrections.merge_mm") and not found.given("subject")


def test_without_files_the_defaults_hold_and_python_callers_read_none(places):
    assert layers.load_layers().settings == Settings()
    places[1].write_text("sheet: {size: A3}\n")
    assert load_settings() == Settings(), "a function reads no file that it was not given"
    assert layers.load_layers().settings.sheet.size == "A3"


def test_mistakes_in_any_layer_name_their_file(places):
    own, here = places
    here.write_text("sheet: {sise: A3}\n")
    with pytest.raises(ConfigError, match=r"^featurediff\.yaml:1:9: sheet: unknown setting 'sise'; did you mean 'size'\?"):
        layers.load_layers()
    own.write_text("subject: [\n")
    with pytest.raises(ConfigError, match=re.escape(str(own)) + r":2:1: not valid YAML"):
        layers.load_layers()


def test_code_is_named_in_the_users_own_file_only(places, write):
    own, here = places
    own.write_text("detectors: {hands: hands.py, boats: ~/boats.py}\n")
    found = layers.load_layers()
    assert found.detectors == {"hands": own.parent / "hands.py", "boats": Path("~/boats.py").expanduser()}
    assert layers.user_detectors() == found.detectors
    here.write_text("detectors: {hands: evil.py}\n")
    with pytest.raises(ConfigError, match=r"featurediff\.yaml:1:1: detectors: they are Python files, which are run"):
        layers.load_layers()
    here.unlink()
    with pytest.raises(ConfigError, match="they are Python files, which are run"):
        layers.load_layers(write("detectors: {hands: evil.py}\n"))


def test_a_folder_called_like_the_file_is_no_file(places):
    places[1].mkdir()
    assert layers.load_layers().settings == Settings()


@pytest.mark.skipif(sys.platform != "linux", reason="where Linux keeps settings")
def test_the_users_own_file_lies_where_the_standard_says(monkeypatch, tmp_path):
    """XDG Base Directory Specification 0.8: $XDG_CONFIG_HOME, or $HOME/.config where that is unset or empty."""
    monkeypatch.delenv(layers.VARIABLE)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert layers.user_file() == tmp_path / "featurediff" / "featurediff.yaml"
    monkeypatch.setenv("XDG_CONFIG_HOME", "")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert layers.user_file() == tmp_path / ".config" / "featurediff" / "featurediff.yaml"


def test_config_where_shows_all_places_and_sources(places, capsys):
    places[1].write_text("sheet: {size: 280x380mm}\n")
    assert cli.main(["config", "--where", "--sides", "sitter"]) == 0
    printed = capsys.readouterr().out
    assert f"2. yours: {places[0]} (not there)" in printed and "3. of this folder: featurediff.yaml\n" in printed
    assert re.search(r"^sheet\.size: \S*280x380mm\S* +featurediff\.yaml:1$", printed, re.MULTILINE)
    assert re.search(r"^corrections\.sides: sitter +command line$", printed, re.MULTILINE)
    for name in leaves(Settings):
        assert re.search(rf"^{re.escape(name)}(\.|:)", printed, re.MULTILINE), name


def test_the_users_own_detector_is_used_by_its_name(places, capsys):
    own, _ = places
    (own.parent / "kites.py").write_text("raise RuntimeError('it was run')\n")
    own.write_text("detectors: {kites: kites.py}\n")
    assert cli.main(["check", "a.jpg", "b.jpg", "--subject", "kites", "--sheet", "A4"]) == 2
    assert "it was run" in capsys.readouterr().err
    assert cli.main(["subjects"]) == 0
    assert f"kites: your own\n  from: the file {own.parent / 'kites.py'}" in capsys.readouterr().out
