"""What changed in a configuration between two sets of results."""

import json

from grooveledger.configuration.described import NAME, Difference, differences


def kept(folder, configuration):
    folder.mkdir()
    (folder / NAME).write_text(json.dumps(configuration), encoding="utf-8")
    return folder


def test_changed_values_are_named_by_their_place(tmp_path):
    old = {
        "chains": {"bench": {"preamplifier": {"gain_db": 36.0, "response": None}}},
        "records": {"bench-a": {"a": {"tracks": [{"radius_mm": 120}, {"radius_mm": 100}]}}},
        "captures": {"c1": {"note": None}},
    }
    new = {
        "chains": {"bench": {"preamplifier": {"gain_db": 38.0, "response": "curve.tsv"}}},
        "records": {"bench-a": {"a": {"tracks": [{"radius_mm": 120}, {"radius_mm": 99}]}}},
        "captures": {"c1": {"note": None}, "c2": {"note": "new"}},
    }
    found = differences(kept(tmp_path / "a", old), kept(tmp_path / "b", new))
    assert found == [
        Difference("chains.bench.preamplifier.gain_db", "36.0", "38.0"),
        Difference("chains.bench.preamplifier.response", "blank", "curve.tsv"),
        Difference("records.bench-a.a.tracks.2.radius_mm", "100", "99"),
        Difference("captures.c2", "not there", "there"),
    ]


def test_equal_configurations_have_no_differences_and_unkept_ones_are_unknown(tmp_path):
    one = kept(tmp_path / "a", {"config": {"mains_hz": 50}})
    assert differences(one, one) == []
    assert differences(one, tmp_path) is None
