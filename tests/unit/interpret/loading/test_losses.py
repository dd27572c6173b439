"""What-ifs of the loading analysis against coils whose losses follow other laws.

A small version of scripts/studies/loading_study.py: an own nodal analysis with eddy currents in the
sheets of a core, or a reactance that rises with a power of frequency below one and a ladder of two
loss resistors; chains whose capacitances are off their description.
"""

import numpy as np
import pytest

import loading_study as study


@pytest.mark.parametrize(
    ("kind", "state"), [(study.KINDS[1], "fitted"), (study.KINDS[2], "stated")]
)
def test_what_ifs_hold_their_uncertainty(kind, state):
    found = study.study(kind, 6, 100, study.default_settings(), study.DRAWS["moderate"])
    assert found["states"][state] >= 5
    assert min(found["within"].values()) >= 0.8
    assert np.mean(list(found["within"].values())) >= 0.9
    assert found["wrong"] == 0


def test_a_fitted_resistance_far_from_the_sheets_is_refused():
    settings = study.default_settings()
    chains = {
        "bench": study.chain_of("bench", 47_000.0, 150.0),
        "desk": study.chain_of("desk", 4_700.0, 300.0),
    }
    world = study.TrueCoil(0.5, 1500.0, 1.0, 0.05, 0.0, 25_000.0, 1.0)
    rng = np.random.default_rng(3)
    responses = study.pd.concat(study.played(rng, world, chain) for chain in chains.values())
    material = study.gather(chains, study.captures_of(chains), responses, study.STYLI)
    for sheet_ohm, refused in ((1500.0, False), (500.0, True)):
        cartridge = study.Cartridge(
            "one", "moving_magnet", coil_inductance_mh=500.0, coil_resistance_ohm=sheet_ohm
        )
        finding = study.find_coils({"one": cartridge}, chains, material, settings)["one"]
        assert ("refused" in finding.reason) == refused
        assert (finding.inductance_basis == "data_sheet") == refused
        if refused:
            assert finding.coil.loss_u is None
            assert "compare the loads" in finding.reason
