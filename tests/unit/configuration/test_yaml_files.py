"""The strict YAML reader."""

import math

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.yaml_files import parse_yaml, spelled


def parsed(text):
    faults = Faults()
    document = parse_yaml(text, "x.yaml", faults)
    assert not faults, faults
    return document


def faults_of(text):
    faults = Faults()
    parse_yaml(text, "x.yaml", faults)
    return faults.in_order()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # YAML 1.2.2, section 10.3.2: tag resolution of the core schema.
        ("null", None), ("~", None), ("", None), ("true", True), ("False", False),
        ("0", 0), ("-19", -19), ("1.", 1.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03", 12e3),
        ("-2E+05", -2e5), (".inf", math.inf), ("-.Inf", -math.inf),
        # What YAML 1.1 turns into something else stays what was typed.
        ("no", "no"), ("on", "on"), ("1:30", "1:30"), ("2024-01-10", "2024-01-10"),
        ("010", 10), ("1e-3", 1e-3), ("1_000", "1_000"), ('"1"', "1"), ("'~'", "~"),
    ],
)  # fmt: skip
def test_scalars_are_those_of_the_core_schema(text, value):
    document = parsed(f"a: {text}\n")
    assert document.value == {"a": value}
    assert type(document.value["a"]) is type(value)


def test_not_a_number_is_one():
    assert math.isnan(parsed("a: .nan").value["a"])


def test_keys_are_text_as_typed():
    assert parsed("{1: a, no: b, 2.50: c}").value == {"1": "a", "no": "b", "2.50": "c"}


def test_lines_are_those_of_the_keys():
    document = parsed("a: 1\nb:\n  - x\n  - {c: 2,\n     d: 3}\n")
    assert document.place(("b", 1, "d")) == "line 5, b entry 2, d"
    assert document.place(("b", 1, "missing")) == "line 4, b entry 2, missing"
    assert document.place(()) == "line 1"


def test_paths_are_spelled_for_people():
    assert spelled(("sides", "a", "tracks", 2, "kind")) == "sides.a.tracks entry 3, kind"
    assert spelled(("tracks", 0)) == "tracks entry 1"
    assert spelled(()) == ""


@pytest.mark.parametrize("text", ["", "# nothing but a comment\n", "---\n", "\ufeff"])
def test_an_empty_file_holds_nothing(text):
    assert parsed(text).value is None


def test_every_double_key_is_told_and_the_rest_is_read():
    faults = Faults()
    document = parse_yaml("a: 1\na: 2\nb: {c: 1, c: 2}\n", "x.yaml", faults)
    assert [fault.place for fault in faults.in_order()] == ["line 2, a", "line 3, b.c"]
    assert document.value == {"a": 2, "b": {"c": 2}}


def test_a_bomb_of_aliases_goes_nowhere():
    levels = "".join(f"l{i}: &l{i} [{', '.join([f'*l{i - 1}'] * 9)}]\n" for i in range(1, 30))
    faults = faults_of("l0: &l0 x\n" + levels)
    assert len(faults) == 1
    assert "not taken" in faults[0].remedy


@pytest.mark.parametrize(
    "text",
    [
        "a: [" * 10, "[" * 1_000_000, "{" * 100_000, "- " * 100_000, "a: !!python/name:os.system",
        "a: !own 1", "? [1, 2]\n: 3", "a: b: c", "\ta: 1", "a: 'x", "a: *b", "%YAML 3.0\n---\na",
        "a: 1\n---\nb: 2", "a: \x07", "? a\n? b: {", "\x00",
    ],
)  # fmt: skip
def test_what_is_no_plain_yaml_is_told(text):
    faults = faults_of(text)
    assert len(faults) == 1
    assert faults[0].remedy


def test_long_numbers_stay_text_and_do_not_stop_the_reader():
    assert parsed(f"a: {'9' * 10_000}").value["a"] == float("inf")


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet=st.sampled_from("ab1-:,[]{}&*!|>'\"#%@`? \n\t"), max_size=60) | st.text())
def test_no_text_does_more_than_raise_faults(text):
    faults = Faults()
    document = parse_yaml(text, "x.yaml", faults)
    assert document is not None or faults


WORDS = st.text(st.characters(exclude_categories=["C", "Z", "N"]), min_size=1, max_size=5)
PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(10**15), 10**15) | st.floats(allow_nan=False) | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS, inner, max_size=3),
    max_leaves=8,
)  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(WORDS, PLAIN, max_size=3))
def test_what_a_yaml_writer_writes_is_read_back(value):
    text = yaml.safe_dump(value, allow_unicode=True)
    faults = Faults()
    document = parse_yaml(text, "x.yaml", faults)
    if "!!" in text or "&" in text:
        return
    assert not faults
    assert document.value == value
