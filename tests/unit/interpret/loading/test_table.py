"""The loading tables on simulated captures."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from grooveledger.interpret.loading.fit import mechanical_db
from grooveledger.interpret.loading.prediction import Load
from grooveledger.interpret.loading.table import (
    candidate_loads,
    loading_tables,
    parallel_resistor_ohm,
    preferred_values,
    recommended,
)
from grooveledger.physics.network import Network, thermal_noise_v, transfer_db
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import COILS, LOADING, LOADING_CHECKS
from grooveledger.storage import tables

BLOCK = Path(__file__).parents[4] / "workflow/schemas/blocks/loading.yaml"
SETTINGS = {
    key: rule["default"] for key, rule in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(-12, 106) / 24.0)
COIL, LOSS = (400.0, 500.0), 0.25
TIP = (25_000.0, 1.0)


def chain(name, load_ohm=47_000.0, load_pf=150.0):
    return Chain(name, 12.0, 0.5, 2.0, load_pf - 50.0, load_ohm, 50.0, 40.0, "iec98", 2.0)


CHAINS = {"bench": chain("bench"), "desk": chain("desk", load_pf=330.0)}


def cartridge(inductance_mh=None, resistance_ohm=None, principle="moving_magnet"):
    return Cartridge(
        "mm-one",
        principle,
        coil_inductance_mh=inductance_mh,
        coil_resistance_ohm=resistance_ohm,
    )


def capture(name, chain_name, hours=40.0, stylus="s1", record="r", status="ok"):
    return {
        "capture": name,
        "stylus": stylus,
        "cartridge": "mm-one",
        "stylus_hours": hours,
        "record": record,
        "side": "a",
        "chain": chain_name,
        "status": status,
    }


def response(name, chain_name, seed=0, tip=TIP):
    frames = []
    for i, channel in enumerate(("left", "right")):
        noise_db = 0.03 * np.random.default_rng([seed, i]).normal(size=len(FREQUENCY_HZ))
        network_db = transfer_db(FREQUENCY_HZ, Network.of(*COIL, CHAINS[chain_name], loss=LOSS))
        frames.append(
            pd.DataFrame(
                {
                    "capture": name,
                    "track": 3 + i,
                    "channel": channel,
                    "frequency_hz": FREQUENCY_HZ,
                    "response_db": network_db + mechanical_db(FREQUENCY_HZ, *tip) + noise_db,
                    "reference_hz": 1000.0,
                    "uncertainty_db": 0.6,
                    "limited": False,
                }
            )
        )
    return pd.concat(frames)


STYLI = pd.DataFrame({"stylus": ["s1"], "break_in_hours": [30.0]})
CAPTURES = [capture("one", "bench"), capture("two", "desk", hours=41.0)]
RESPONSES = pd.concat([response("one", "bench", 1), response("two", "desk", 2)])


def run(cartridge_, captures=CAPTURES, responses=RESPONSES, chains=CHAINS, **changes):
    frame = pd.DataFrame(captures, columns=list(capture("", "")))
    return loading_tables(
        {"mm-one": cartridge_}, chains, frame, responses, STYLI, SETTINGS | changes
    )


def test_two_loads_give_the_coil_predict_and_check():
    found = run(cartridge())
    coil = found.coils.iloc[0]
    assert coil["inductance_basis"] == "two_loads"
    assert coil["inductance_mh"] == pytest.approx(400.0, rel=0.05)
    assert coil["resistance_basis"] == "assumed"
    assert list(found.checks["channel"]) == ["left", "right"]
    assert found.checks["agrees"].all()
    assert found.checks["rms_db"].max() < 0.1
    # What the bench's response is predicted to be under the desk's load is what the desk measured.
    loads = found.loading[(found.loading["chain"] == "desk") & (found.loading["added_pf"] == 0.0)]
    own = loads[(loads["load_ohm"] == 47_000.0) & (loads["basis"] == "measured")].iloc[0]
    desk_db = transfer_db(20_000.0, Network.of(*COIL, CHAINS["desk"], loss=LOSS))
    desk_db = desk_db + mechanical_db(np.array([20_000.0]), *TIP)
    assert own["db_at_20khz"] == pytest.approx(float(desk_db[0]), abs=0.1)


def test_the_data_sheet_checked_against_a_second_load():
    right = run(cartridge(400.0, 500.0), fit_noise_db=0.1, coil_tolerance_pct=0.5)
    assert right.coils.iloc[0]["inductance_basis"] == "data_sheet"
    assert right.checks["agrees"].all()
    wrong = run(cartridge(700.0, 500.0), coil_tolerance_pct=0.5, capacitance_tolerance_pct=1)
    assert not wrong.checks["agrees"].any()
    assert wrong.checks["max_db"].abs().min() > 1.0


def test_a_surer_fit_overrules_the_sheet_and_says_so():
    coil = run(cartridge(700.0, 500.0)).coils.iloc[0]
    assert coil["inductance_basis"] == "two_loads"
    assert coil["inductance_mh"] == pytest.approx(400.0, rel=0.05)
    assert coil["reason"] == "the sheet says 700 mH"


def test_unknown_coil_is_said_and_only_the_present_load_shown():
    found = run(cartridge(), CAPTURES[:1])
    coil = found.coils.iloc[0]
    assert coil["inductance_basis"] == "unknown"
    assert pd.isna(coil["inductance_mh"])
    assert coil["reason"]
    assert len(found.loading) == 1
    row = found.loading.iloc[0]
    assert (row["basis"], row["load_pf"], row["recommended"]) == ("measured", 150.0, False)
    assert row["uncertainty_db"] == pytest.approx(0.6)
    assert np.isnan(row["noise_uv"])
    assert not len(found.checks)


def test_a_moving_coil_is_not_fitted():
    found = run(cartridge(principle="moving_coil"))
    assert "moving coil" in found.coils.iloc[0]["reason"]
    assert found.checks["rms_db"].isna().all()


def test_an_uncertain_sheet_is_not_trusted():
    coil = run(cartridge(900.0, 500.0), CAPTURES[:1], uncertain_coils=["mm-one"]).coils.iloc[0]
    assert coil["inductance_basis"] == "unknown"
    assert coil["sheet_inductance_mh"] == 900.0


def test_the_model_alone_needs_no_capture():
    found = run(cartridge(400.0, 500.0), [])
    assert set(found.loading["basis"]) == {"model"}
    assert not found.loading["recommended"].any()
    row = found.loading[
        (found.loading["chain"] == "bench")
        & (found.loading["load_ohm"] == 47_000.0)
        & (found.loading["load_pf"] == 150.0)
    ].iloc[0]
    # Losses that are not known are taken in the middle of their range.
    network = Network.of(*COIL, CHAINS["bench"], loss=LOSS)
    dense_db = transfer_db(np.geomspace(1_000.0, 20_000.0, 2_000), network)
    assert np.isnan(row["peak_db"])
    assert row["db_at_20khz"] == pytest.approx(float(transfer_db(20_000.0, network)))
    assert row["deviation_db"] == pytest.approx(np.ptp(dense_db) / 2, abs=0.002)
    assert row["level_change_db"] == 0.0
    expected_uv = 1e6 * float(thermal_noise_v(network))
    assert row["noise_uv"] == pytest.approx(expected_uv)
    assert found.loading["load_pf"].min() == 150.0


def test_a_load_that_takes_level_brings_the_noise_nearer():
    """Noise to signal: what thermal noise gains, and what the signal loses."""
    found = run(cartridge(400.0, 500.0), [])
    rows = found.loading[found.loading["chain"] == "bench"]
    row = rows.sort_values("load_ohm").iloc[0]
    present, other = (
        Network.of(*COIL, CHAINS["bench"], *load, loss=LOSS)
        for load in ((), (row["load_ohm"], row["load_pf"]))
    )
    noise_db = 20.0 * np.log10(thermal_noise_v(other, "iec98") / thermal_noise_v(present, "iec98"))
    assert row["level_change_db"] < -0.02
    assert row["noise_change_db"] == pytest.approx(float(noise_db) - row["level_change_db"])


def test_break_in_and_rejection_are_respected():
    early = [capture("one", "bench", hours=3.0), capture("two", "desk", status="rejected")]
    assert set(run(cartridge(400.0, 500.0), early).loading["basis"]) == {"model"}


def test_the_recommended_load_is_the_flattest_that_is_worth_it():
    found = run(cartridge(400.0, 500.0), CAPTURES[:1]).loading
    measured = found[found["basis"] == "measured"]
    best = measured[measured["recommended"]]
    assert len(best) == 1
    least = measured["deviation_db"].min()
    assert best["deviation_db"].iloc[0] <= least + SETTINGS["worthwhile_db"]
    # Against the simulation itself under every load, without the prediction.
    truth = []
    band = (FREQUENCY_HZ >= 1000.0) & (FREQUENCY_HZ <= 20_000.0 * 1.005)
    for _, row in measured.iterrows():
        network = Network.of(*COIL, CHAINS["bench"], row["load_ohm"], row["load_pf"], LOSS)
        curve = transfer_db(FREQUENCY_HZ, network) + mechanical_db(FREQUENCY_HZ, *TIP)
        truth.append(np.ptp(curve[band]) / 2)
    np.testing.assert_allclose(measured["deviation_db"], truth, atol=0.08)


def test_tables_are_as_declared_and_repeat():
    first, second = run(cartridge(400.0)), run(cartridge(400.0))
    for table, one, two in zip((LOADING, LOADING_CHECKS, COILS), first, second, strict=True):
        built = tables.build(table, {name: one[name].tolist() for name in table.names})
        assert built.column_names == list(table.names)
        pd.testing.assert_frame_equal(one, two)


def test_nothing_at_all_gives_empty_tables():
    found = run(cartridge(), [], RESPONSES.iloc[:0])
    assert found.loading.empty
    assert found.checks.empty
    assert len(found.coils) == 1


def test_the_pair_of_one_record_side_comes_first():
    captures = [
        capture("one", "bench", hours=40.0),
        capture("two", "desk", hours=40.0, record="other"),
        capture("three", "desk", hours=90.0),
    ]
    responses = pd.concat([RESPONSES, response("three", "desk", 3)])
    checks = run(cartridge(400.0, 500.0), captures, responses).checks
    assert set(checks["capture_to"]) == {"three"}


def test_preferred_values():
    # IEC 60063, E12 and E6.
    np.testing.assert_array_equal(
        preferred_values(2, 10_000, 100_000) / 1000,
        [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82, 100],
    )
    np.testing.assert_array_equal(preferred_values(4, 10, 100), [10, 15, 22, 33, 47, 68, 100])
    # E24: the values between those of E12.
    np.testing.assert_array_equal(
        np.setdiff1d(preferred_values(1, 10, 99), preferred_values(2, 10, 99)),
        [11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91],
    )


def test_candidates_keep_the_chains_own_capacitance():
    loads = candidate_loads(chain("bench", 50_000.0, 155.0), SETTINGS)
    assert np.min(loads.load_pf) == 155.0
    assert (50_000.0, 155.0) in set(zip(loads.load_ohm, loads.load_pf, strict=True))
    assert {22_000.0, 47_000.0, 100_000.0} < set(loads.load_ohm)


def test_the_least_change_wins_among_equals():
    loads = Load(
        chain("bench"),
        np.array([33e3, 39e3, 47e3, 47e3]),
        np.array([150.0, 150.0, 250.0, 150.0]),
    )
    assert recommended(np.array([1.0, 1.1, 1.15, 3.0]), loads, 0.2) == 2
    assert recommended(np.array([1.0, 1.1, 1.15, 1.2]), loads, 0.2) == 3
    assert recommended(np.full(4, np.nan), loads, 0.2) is None


def test_parallel_resistor():
    # Closed form: 33 kohm from 47 needs 110.8 kohm.
    assert parallel_resistor_ohm(33_000.0, 47_000.0) == 110_000.0
    assert parallel_resistor_ohm(47_000.0, 47_000.0) is None
    assert parallel_resistor_ohm(100_000.0, 47_000.0) is None


@pytest.mark.parametrize(("tolerance_pct", "keeps"), [(1.0, False), (80.0, True)])
def test_advice_is_given_beyond_its_uncertainty_only(tolerance_pct, keeps):
    # A tip that peaks by several dB: another load would flatten it, if the coil were known.
    found = run(
        cartridge(*COIL),
        [CAPTURES[0]],
        response("one", "bench", 2, tip=(30_000.0, 3.0)),
        coil_tolerance_pct=tolerance_pct,
    )
    rows = found.loading[(found.loading["chain"] == "bench") & found.loading["recommended"]]
    assert len(rows) == 1
    present = (rows["load_ohm"].iloc[0], rows["load_pf"].iloc[0]) == (47_000.0, 150.0)
    assert present == keeps
