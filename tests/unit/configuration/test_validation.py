"""The validator against a reference implementation of JSON Schema, and the schemas themselves."""

import copy

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

import make_configuration as good
from grooveledger import plan
from grooveledger.configuration.schema_files import SCHEMAS, schema
from grooveledger.configuration.validation import checked
from grooveledger.measure.quantities import MEASURES

NAMES = sorted(path.stem for path in SCHEMAS.glob("*.yaml"))


def subschemas(node):
    """Every schema in a schema."""
    yield node
    for key in ("properties", "$defs"):
        for child in node.get(key, {}).values():
            yield from subschemas(child)
    for key in ("items", "additionalProperties"):
        if isinstance(node.get(key), dict):
            yield from subschemas(node[key])
    for child in node.get("oneOf", ()):
        yield from subschemas(child)


def agrees(value, name):
    """Whether our validator and the reference both take or both refuse a value."""
    problems = []
    problems += checked(copy.deepcopy(value), schema(name)).problems
    reference = jsonschema.Draft202012Validator(schema(name))
    return (problems == []) == reference.is_valid(value)


@pytest.mark.parametrize("name", NAMES)
def test_schemas_are_valid_ones(name):
    jsonschema.Draft202012Validator.check_schema(schema(name))


@pytest.mark.parametrize("name", NAMES)
def test_every_key_is_described_and_every_default_is_valid(name):
    for node in subschemas(schema(name)):
        for key, child in node.get("properties", {}).items():
            if "properties" not in child:
                assert child.get("description", "").endswith("."), key
            problems = []
            if "default" in child:
                problems += checked(child["default"], child).problems
            assert problems == [], key


@pytest.mark.parametrize("name", NAMES)
def test_every_example_is_valid(name):
    for node in subschemas(schema(name)):
        for example in node.get("examples", ()):
            problems = []
            problems += checked(example, node).problems
            assert problems == []


def test_a_block_has_its_own_file_and_every_file_is_a_block():
    blocks = {path.stem for path in (SCHEMAS / "blocks").glob("*.yaml")}
    assert blocks <= set(schema("config")["properties"])
    for name in blocks:
        block = schema("config")["properties"][name]
        assert block["type"] == "object"
        assert block["additionalProperties"] is False


def planned(branch, purpose, modulation):
    """Make a track of the kind that a branch of the record's schema describes."""
    keys = branch["properties"]
    return plan.Track(
        track=1,
        kind=keys["kind"]["const"],
        duration_s=60.0,
        modulation=modulation if "modulation" in keys else None,
        frequency_hz=3150.0 if "frequency_hz" in keys else None,
        start_hz=20.0 if "start_hz" in keys else None,
        stop_hz=20000.0 if "stop_hz" in keys else None,
        purpose=purpose,
    )


def test_the_purposes_of_a_kind_are_those_it_can_serve():
    side = schema("record")["properties"]["sides"]["additionalProperties"]
    for branch in side["properties"]["tracks"]["items"]["oneOf"]:
        purposes = set(branch["properties"].get("purpose", {"enum": ()})["enum"]) - {None}
        serving = {
            purpose: {
                measure
                for measure, declared in MEASURES.items()
                for modulation in ("left", "lateral")
                if declared.uses(planned(branch, purpose, modulation))
            }
            for purpose in MEASURES
        }
        namesakes = {purpose for purpose, measures in serving.items() if purpose in measures}
        assert namesakes <= purposes
        assert all(serving[purpose] for purpose in purposes)


DOCUMENTS = {
    "config": good.config(),
    "cartridges": yaml.safe_load(good.CARTRIDGES),
    "chains": yaml.safe_load(good.CHAINS),
    "record": yaml.safe_load(good.RECORD),
}
ODD = st.sampled_from(
    [True, 0, -1, 1, 3.5, 1e9, "", "left", "a b", [], [1, 2], [1, 1], {}, {"kind": "tone"}]
)


def paths(value, path=()):
    """Every path in a document."""
    yield path
    if isinstance(value, (dict, list)):
        for key, child in value.items() if isinstance(value, dict) else enumerate(value):
            yield from paths(child, (*path, key))


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_reference_validator_agrees_on_changed_documents(name, data):
    document = copy.deepcopy(DOCUMENTS[name])
    for _ in range(data.draw(st.integers(1, 2))):
        path = data.draw(st.sampled_from(sorted(paths(document), key=str)))
        target = document
        for key in path[:-1]:
            target = target[key]
        action = data.draw(st.sampled_from(["replace", "remove", "add"]))
        if not path:
            continue
        if action == "replace":
            target[path[-1]] = copy.deepcopy(data.draw(ODD))
        elif action == "remove":
            del target[path[-1]]
        elif isinstance(target, dict):
            target[data.draw(st.sampled_from(["x", "note", "mass_g"]))] = copy.deepcopy(
                data.draw(ODD)
            )
    assert agrees(document, name)


@settings(max_examples=100, deadline=None)
@given(
    st.none() | ODD, st.sampled_from(["minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum"])
)
def test_a_reference_validator_agrees_on_ranges(value, keyword):
    node = {"type": ["number", "null"], keyword: 1}
    problems = []
    problems = checked(value, node).problems
    assert (problems == []) == jsonschema.Draft202012Validator(node).is_valid(value)


def test_a_key_left_empty_takes_its_default():
    node = {"type": "object", "properties": {"a": {"type": "number", "default": 3}}}
    assert checked({"a": None}, node).value == {"a": 3.0}


def test_a_keyword_that_is_not_understood_is_our_mistake():
    with pytest.raises(ValueError, match="multipleOf"):
        checked(1, {"type": "integer", "multipleOf": 2})
