"""Two sides of an invented record, and the simulator's captures of them."""

from dataclasses import replace

from grooveledger.plan import Chain, Side
from grooveledger.simulate.capture import simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.stylus import StylusTruth

CHAIN = Chain(
    chain="bench",
    arm_effective_mass_g=13.0,
    cable_resistance_ohm=0.3,
    cable_inductance_uh=1.0,
    cable_capacitance_pf=110.0,
    input_resistance_ohm=47_000.0,
    input_capacitance_pf=45.0,
    gain_db=40.0,
    equalisation="iec98",
    full_scale_v_rms=2.0,
)
SIDE = Side.from_mapping(
    {
        "record": "bench-a",
        "side": "a",
        "rpm": 33.3333,
        "gap_s": 2.0,
        "tracks": [
            {"track": 1, "kind": "tone", "modulation": "left", "frequency_hz": 1000,
             "velocity_cm_s": 5, "duration_s": 4},
            {"track": 2, "kind": "tone", "modulation": "right", "frequency_hz": 1000,
             "velocity_cm_s": 5, "duration_s": 4},
            {"track": 3, "kind": "sweep", "modulation": "left", "start_hz": 20, "stop_hz": 20000,
             "recorded": "iec98", "velocity_cm_s": 3, "duration_s": 12},
            {"track": 4, "kind": "silent_groove", "duration_s": 6},
            {"track": 5, "kind": "tone", "modulation": "lateral", "frequency_hz": 3150,
             "velocity_cm_s": 5, "duration_s": 5, "purpose": "speed"},
        ],
    }
)  # fmt: skip


#: Another side of the record.
OTHER = Side.from_mapping(
    {
        "record": "bench-a",
        "side": "b",
        "rpm": 33.3333,
        "gap_s": 2.0,
        "tracks": [
            {"track": 1, "kind": "tone_steps", "modulation": "lateral", "velocity_cm_s": 5,
             "frequencies_hz": [100, 1000, 3000, 10000], "step_s": 2},
            {"track": 2, "kind": "two_tone", "modulation": "lateral", "frequencies_hz": [400, 4000],
             "ratio": 4, "velocity_cm_s": 6, "duration_s": 5},
            {"track": 3, "kind": "amplitude_steps", "modulation": "lateral", "frequency_hz": 315,
             "amplitudes_um": [40, 50, 60], "step_s": 2},
            {"track": 4, "kind": "sweep", "modulation": "vertical", "start_hz": 25, "stop_hz": 4,
             "recorded": "constant_amplitude", "velocity_cm_s": 40, "duration_s": 10},
        ],
    }
)  # fmt: skip
RATE_HZ = 48_000
CONDITIONS = replace(REALISTIC, lead_in_s=2.0, lead_out_s=2.0)


def simulated(side, conditions=CONDITIONS, chain=CHAIN, rate_hz=RATE_HZ, seed=3):
    return simulate_capture(side, StylusTruth(), chain, conditions, rate_hz, seed)
