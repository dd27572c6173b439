"""Which captures and coil values loading uses, and where they come from."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from grooveledger.interpret.loading.coils import (
    Material,
    Pair,
    PlayedCapture,
    coils_table,
    find_coils,
    gather,
    measured_curve,
    pair_shape_uncertainty_db,
)
from grooveledger.interpret.loading.fit import mechanical_db
from grooveledger.interpret.response_curves import Curve
from grooveledger.physics.network import Network, transfer_db
from grooveledger.plan import Cartridge, Chain

BLOCK = Path(__file__).parents[4] / "workflow/schemas/blocks/loading.yaml"
SETTINGS = {
    key: rule["default"] for key, rule in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
HZ = 1000.0 * 2.0 ** (np.arange(-12, 105) / 24.0)
COIL, LOSS = (400.0, 700.0), 0.25


def chain(name, load_ohm=47_000.0, load_pf=150.0, tolerance_db=0.0):
    loads = (load_pf - 50.0, load_ohm, 50.0)
    return Chain(
        name, 12.0, 0.5, 2.0, *loads, 40.0, "iec98", 2.0, response_tolerance_db=tolerance_db
    )


CHAINS = {"bench": chain("bench"), "desk": chain("desk", load_pf=330.0)}
STYLI = pd.DataFrame({"stylus": ["s1", "s2"], "break_in_hours": [30.0, 30.0]})


def row(capture, chain_name="bench", hours=40.0, stylus="s1", record="r", side="a", **facts):
    return {
        "capture": capture,
        "stylus": stylus,
        "cartridge": "mm-one",
        "stylus_hours": hours,
        "record": record,
        "side": side,
        "chain": chain_name,
        "status": "ok",
        **facts,
    }


def responses(*captures, **facts):
    frames = [
        pd.DataFrame(
            {
                "capture": name,
                "track": 3,
                "channel": channel,
                "frequency_hz": [1000.0, 10_000.0],
                "response_db": [0.0, level_db],
                "reference_hz": 1000.0,
                "uncertainty_db": 0.1,
                "limited": False,
                **facts,
            }
        )
        for name in captures
        for channel, level_db in (("left", 1.0), ("right", 3.0))
    ]
    return pd.concat(frames, ignore_index=True)


def gathered(rows, response=None, chains=CHAINS):
    captures = pd.DataFrame(rows)
    if response is None:
        response = responses(*captures["capture"])
    found = gather(chains, captures, response, STYLI)
    pairs = [(pair.first.capture, pair.second.capture) for pair in found.pairs]
    return [played.capture for played in found.first], pairs, found


def test_the_first_capture_of_each_stylus_on_each_chain_after_break_in():
    rows = [
        row("early", hours=29.9),
        row("later", hours=50.0),
        row("first", hours=30.0),
        row("desk", "desk", hours=60.0),
        row("two", stylus="s2", hours=70.0),
        row("bad", "desk", hours=31.0, status="rejected"),
    ]
    first, _, found = gathered(rows)
    assert first == ["first", "desk", "two"]
    played = found.first[0]
    assert (played.stylus, played.cartridge, played.chain) == ("s1", "mm-one", "bench")
    assert (played.record, played.side) == ("r", "a")
    # The mean of both channels, of that capture alone.
    response = responses(*(row["capture"] for row in rows))
    response["response_db"] += 4.0 * (response["capture"] == "first")
    _, _, found = gathered(rows, response)
    np.testing.assert_allclose(found.first[0].curve.response_db, [4.0, 6.0])
    np.testing.assert_allclose(found.first[1].curve.response_db, [0.0, 2.0])


@pytest.mark.parametrize(
    "facts",
    [
        {"reference_hz": 400.0},
        {"reference_hz": np.nan},
        {"response_db": np.nan},
        {"uncertainty_db": np.nan},
        {"limited": True},
    ],
)
def test_a_capture_without_a_usable_response_does_not_count(facts):
    response = pd.concat([responses("one", **facts), responses("two")])
    first, pairs, _ = gathered([row("one", hours=40.0), row("two", hours=50.0)], response)
    assert first == ["two"]
    assert pairs == []


def test_a_chain_that_is_not_described_does_not_count():
    assert gathered([row("one", "gone"), row("two")])[0] == ["two"]


def test_pairs_are_nearest_in_hours_on_one_record_side():
    rows = [
        row("b40", hours=40.0),
        row("b90", hours=90.0),
        row("d85", "desk", hours=85.0),
        row("d41", "desk", hours=41.0, side="b"),
        row("d42", "desk", hours=42.0, record="q"),
    ]
    assert gathered(rows)[1] == [("b90", "d85")]
    # Without one of the same side the nearest of any.
    assert gathered(rows[:2] + rows[3:])[1] == [("b40", "d41")]


def test_pairs_are_of_one_stylus_and_of_chains_whose_loads_differ():
    assert gathered([row("one"), row("two", "desk", stylus="s2")])[1] == []
    for ohm, pf, is_pair in ((47e3, 150.0, False), (33e3, 150.0, True), (47e3, 151.0, True)):
        chains = {"bench": chain("bench"), "desk": chain("desk", ohm, pf)}
        found = gathered([row("one"), row("two", "desk")], chains=chains)[1]
        assert bool(found) == is_pair


def test_three_chains_make_three_pairs():
    chains = {**CHAINS, "attic": chain("attic", 33e3)}
    rows = [row(name, name) for name in chains]
    assert gathered(rows, chains=chains)[1] == [
        ("attic", "bench"),
        ("attic", "desk"),
        ("bench", "desk"),
    ]


def curve(chain_, seed=0, uncertainty_db=0.6, coil=COIL):
    level_db = transfer_db(HZ, Network.of(*coil, chain_, loss=LOSS))
    level_db = level_db + mechanical_db(HZ, 25_000.0, 1.0)
    noise_db = 0.02 * np.random.default_rng(seed).standard_normal(len(HZ))
    return Curve(HZ, level_db + noise_db, np.full(len(HZ), uncertainty_db))


def played(name, chain_name, chains=CHAINS, side="a", cartridge="mm-one", **facts):
    curves = {"left": curve(chains[chain_name], seed=len(name), **facts)}
    return PlayedCapture(name, "s1", cartridge, chain_name, "r", side, curves)


def test_a_pairs_uncertainty_is_the_preamplifiers_and_on_two_sides_the_records():
    """+-0.3 and +-0.4 dB are 0.5 / sqrt 3; each response adds its own 0.6 dB."""
    chains = {
        "bench": chain("bench", tolerance_db=0.3),
        "desk": chain("desk", load_pf=330.0, tolerance_db=0.4),
    }
    one, two = played("one", "bench", chains), played("two", "desk", chains)
    assert pair_shape_uncertainty_db(Pair(one, two), chains) == pytest.approx(0.5 / np.sqrt(3.0))
    other = two._replace(side="b")
    both = np.sqrt(0.25 / 3.0 + 2.0 * 0.6**2)
    assert pair_shape_uncertainty_db(Pair(one, other), chains) == pytest.approx(both)
    assert pair_shape_uncertainty_db(Pair(one, two._replace(record="q")), chains) == (
        pytest.approx(both)
    )


def test_a_cartridges_curve_on_a_chain_is_the_mean_of_its_styli():
    flat = Curve(HZ, np.zeros(len(HZ)), np.full(len(HZ), 0.1))
    one = played("one", "bench")._replace(curves={"left": flat})
    two = one._replace(curves={"left": flat._replace(response_db=flat.response_db + 2.0)})
    other = one._replace(cartridge="other")
    material = Material([one, two, other], [])
    np.testing.assert_allclose(measured_curve(material, "mm-one", "bench").response_db, 1.0)
    assert measured_curve(material, "mm-one", "desk") is None


def cartridge(inductance_mh=None, resistance_ohm=None, principle="moving_magnet"):
    return Cartridge(
        "mm-one", principle, coil_inductance_mh=inductance_mh, coil_resistance_ohm=resistance_ohm
    )


PAIR = Pair(played("one", "bench"), played("two", "desk"))
BOTH = Material([PAIR.first, PAIR.second], [PAIR])
NOTHING = Material([], [])


def found_of(cartridge_, material=NOTHING, **changes):
    return find_coils({"mm-one": cartridge_}, CHAINS, material, SETTINGS | changes)["mm-one"]


def test_without_a_capture_the_sheet_counts_within_its_tolerance():
    """A rectangular distribution (JCGM 100, 4.3.7)."""
    found = found_of(cartridge(480.0, 900.0), coil_tolerance_pct=12.0)
    assert (found.coil.inductance_mh, found.coil.resistance_ohm) == (480.0, 900.0)
    assert found.coil.inductance_u == pytest.approx(0.12 / np.sqrt(3.0))
    assert found.coil.resistance_u == pytest.approx(0.12 / np.sqrt(3.0))
    assert (found.inductance_basis, found.resistance_basis) == ("data_sheet", "data_sheet")
    assert found.fit is None
    assert found.reason == ""


def test_a_resistance_that_the_sheet_does_not_give_is_assumed():
    found = found_of(cartridge(480.0))
    assert found.resistance_basis == "assumed"
    # 400 to 1500 ohm: the geometric mean, and the half-width of its logarithm over sqrt 3.
    assert found.coil.resistance_ohm == pytest.approx(np.sqrt(400.0 * 1500.0), rel=0.001)
    assert found.coil.resistance_u == pytest.approx(
        np.log(1500.0 / 400.0) / 2.0 / np.sqrt(3.0), rel=0.01
    )


@pytest.mark.parametrize(("inductance_mh", "resistance_ohm"), [(0.1, None), (None, None)])
def test_a_moving_coil_needs_its_resistance(inductance_mh, resistance_ohm):
    found = found_of(cartridge(inductance_mh, resistance_ohm, "moving_coil"), BOTH)
    assert found.coil is None
    assert (found.inductance_basis, found.resistance_basis) == ("unknown", None)
    assert "moving coil" in found.reason
    given = found_of(cartridge(0.1, 12.0, "moving_coil"), BOTH)
    assert given.inductance_basis == "data_sheet"
    assert given.fit is None


def test_a_sheet_that_is_not_trusted_counts_for_nothing():
    found = found_of(cartridge(480.0, 900.0), uncertain_coils=["mm-one"])
    assert found.coil is None
    assert (found.inductance_basis, found.resistance_basis) == ("unknown", None)
    assert found.reason == "not on the sheet, and no response to fit it to"


def test_two_loads_overrule_a_sheet_that_is_less_sure_and_not_one_that_is_surer():
    unsure = found_of(cartridge(600.0), BOTH, coil_tolerance_pct=30.0)
    assert unsure.inductance_basis == "two_loads"
    assert unsure.coil.inductance_mh == pytest.approx(400.0, rel=0.05)
    assert unsure.reason == "the sheet says 600 mH"
    tight = 100.0 * unsure.fit.inductance_u * np.sqrt(3.0)
    for part, basis in ((0.9, "data_sheet"), (1.1, "two_loads")):
        found = found_of(cartridge(600.0), BOTH, coil_tolerance_pct=part * tight)
        assert found.inductance_basis == basis
        assert found.fit.inductance_mh == pytest.approx(unsure.fit.inductance_mh)
    silent = found_of(cartridge(), BOTH)
    assert (silent.inductance_basis, silent.reason) == ("two_loads", "")


def test_a_response_that_ends_low_is_not_fitted():
    low = [
        one._replace(curves={"left": Curve(*(v[HZ < 8000.0] for v in one.curves["left"]))})
        for one in PAIR
    ]
    found = found_of(cartridge(), Material(low, [Pair(*low)]))
    assert found.fit is None
    assert found.inductance_basis == "unknown"
    mixed = found_of(cartridge(), Material([], [Pair(PAIR.first, low[1])]))
    assert mixed.fit is None


def test_a_fit_that_is_not_identified_is_shown_with_its_reason_and_not_used():
    found = found_of(cartridge(), BOTH, identified_within_pct=0.01)
    assert found.coil is None
    assert found.fit is not None
    assert found.reason == found.fit.reason
    assert "uncertain by" in found.reason
    sheet = found_of(cartridge(480.0), BOTH, identified_within_pct=0.01)
    assert sheet.inductance_basis == "data_sheet"
    assert "uncertain by" in sheet.reason


def test_only_a_cartridges_own_captures_count():
    other = [one._replace(cartridge="other") for one in PAIR]
    found = found_of(cartridge(), Material(other, [Pair(*other)]))
    assert found.fit is None


@pytest.mark.parametrize(("sheet_ohm", "is_refused"), [(1500.0, False), (500.0, True)])
def test_a_pair_that_asks_for_another_resistance_than_the_sheets_is_refused(sheet_ohm, is_refused):
    """A load of 4.7 kohm shows the resistance of a coil, here of 1500 ohm."""
    chains = {"bench": chain("bench"), "desk": chain("desk", 4_700.0, 300.0)}
    pair = Pair(*(played(name, name, chains, coil=(500.0, 1500.0)) for name in chains))
    given = {"mm-one": cartridge(600.0, sheet_ohm)}
    material = Material(list(pair), [pair])
    found = find_coils(given, chains, material, SETTINGS | {"coil_tolerance_pct": 20.0})["mm-one"]
    assert (found.fit is None) == is_refused
    assert found.inductance_basis == ("data_sheet" if is_refused else "two_loads")
    assert ("the fit to bench and desk is refused" in found.reason) == is_refused


def test_the_table_has_uncertainties_in_millihenries_and_ohms():
    cartridges = {"mm-one": cartridge(480.0, 900.0)}
    sheet = find_coils(cartridges, CHAINS, NOTHING, SETTINGS | {"coil_tolerance_pct": 12.0})
    (row_,) = coils_table(cartridges, sheet).to_dict("records")
    assert row_["inductance_uncertainty_mh"] == pytest.approx(480.0 * 0.12 / np.sqrt(3.0))
    assert row_["resistance_uncertainty_ohm"] == pytest.approx(900.0 * 0.12 / np.sqrt(3.0))
    assert (row_["sheet_inductance_mh"], row_["sheet_resistance_ohm"]) == (480.0, 900.0)
    assert row_["losses_basis"] == "stated"
    assert row_["fitted_inductance_mh"] is None
    fitted = find_coils({"mm-one": cartridge()}, CHAINS, BOTH, SETTINGS)
    (row_,) = coils_table({"mm-one": cartridge()}, fitted).to_dict("records")
    fit = fitted["mm-one"].fit
    assert row_["fitted_uncertainty_mh"] == pytest.approx(fit.inductance_mh * fit.inductance_u)
    assert row_["losses_basis"] == ("two_loads" if fit.losses_identified else "stated")
    unknown = find_coils({"mm-one": cartridge()}, CHAINS, NOTHING, SETTINGS)
    (row_,) = coils_table({"mm-one": cartridge()}, unknown).to_dict("records")
    assert row_["losses_basis"] is None
    assert row_["inductance_mh"] is None
