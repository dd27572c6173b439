"""Small archives for tests of the workflow: a whole configuration and its captures in a folder."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from grooveledger.plan import Chain, Side
from grooveledger.simulate.capture import plan_capture, render_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.files import write_capture
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.truth import CaptureTruth

#: Hours between the captures of a small archive; the first is made at as many.
HOURS_APART = 60.0
#: Of the recordings.
RATE_HZ = 48_000
#: Length of the worn contact after that many hours, um; grows with the square root of hours.
FLAT_UM = 2.0

RECORD: dict[str, Any] = {
    "record": "small",
    "rpm": 33.3333,
    "response_tolerance_db": 1.0,
    "sides": {
        "a": {
            "gap_s": 1.5,
            "tracks": [
                {"track": 1, "kind": "tone", "modulation": "left", "frequency_hz": 1000,
                 "velocity_cm_s": 3.54, "duration_s": 3, "radius_mm": 140},
                {"track": 2, "kind": "tone", "modulation": "right", "frequency_hz": 1000,
                 "velocity_cm_s": 3.54, "duration_s": 3, "radius_mm": 138},
                {"track": 3, "kind": "sweep", "modulation": "left", "start_hz": 100,
                 "stop_hz": 20000, "recorded": "iec98", "velocity_cm_s": 1.0, "duration_s": 10,
                 "radius_mm": 90, "purpose": "response"},
                {"track": 4, "kind": "sweep", "modulation": "right", "start_hz": 100,
                 "stop_hz": 20000, "recorded": "iec98", "velocity_cm_s": 1.0, "duration_s": 10,
                 "radius_mm": 86, "purpose": "response"},
                {"track": 5, "kind": "silent_groove", "duration_s": 5},
                {"track": 6, "kind": "tone", "purpose": "speed", "modulation": "lateral",
                 "frequency_hz": 3150, "velocity_cm_s": 3.0, "duration_s": 6, "radius_mm": 70},
            ],
        },
        "b": {
            "gap_s": 1.5,
            "tracks": [
                {"track": 1, "kind": "tone_steps", "purpose": "distortion",
                 "modulation": "lateral", "frequencies_hz": [300, 1000, 5000], "step_s": 1.5,
                 "velocity_cm_s": 4.0, "radius_mm": 130},
                {"track": 2, "kind": "two_tone", "modulation": "lateral",
                 "frequencies_hz": [400, 4000], "ratio": 4, "velocity_cm_s": 6.0,
                 "duration_s": 3, "radius_mm": 126},
                {"track": 3, "kind": "amplitude_steps", "modulation": "lateral",
                 "frequency_hz": 315, "amplitudes_um": [50, 70, 90], "step_s": 1.5,
                 "radius_mm": 120},
                {"track": 4, "kind": "sweep", "purpose": "resonance", "modulation": "lateral",
                 "start_hz": 25, "stop_hz": 5, "recorded": "constant_amplitude",
                 "velocity_cm_s": 15.0, "duration_s": 8, "radius_mm": 110},
            ],
        },
    },
}  # fmt: skip
CARTRIDGES: dict[str, Any] = {
    "mm-small": {
        "principle": "moving_magnet",
        "tip": {"shape": "elliptical", "radii_um": [8, 18]},
        "mass_g": 6.5,
        "compliance_um_per_mn": {"static": 26},
        "coil": {"inductance_mh": 480, "resistance_ohm": 750},
        "rated": {"output_mv": 4.0, "output_velocity_cm_s": 5.0, "separation_db": 22.0},
    }
}
CHAINS: dict[str, Any] = {
    "bench": {
        "arm_effective_mass_g": 13.0,
        "cable": {"resistance_ohm": 0.3, "inductance_uh": 1.0, "capacitance_pf": 110},
        "preamplifier": {
            "input_resistance_ohm": 47000,
            "input_capacitance_pf": 45,
            "gain_db": 36.0,
            "equalisation": "iec98",
        },
        "converter": {"full_scale_v_rms": 2.0},
    }
}
#: Quiet enough for a short groove, noisy enough to be real.
CONDITIONS = replace(REALISTIC, needle_drop_s=0.8, lead_in_s=1.5, lead_out_s=1.5)


@dataclass(frozen=True)
class SmallArchive:
    """A small archive that has been written.

    Attributes
    ----------
    config : Path
        Its config.yaml, all paths in it absolute.
    captures : tuple of Path
        The recordings in the order of the sheet.
    truths : mapping of str to CaptureTruth
        By the capture's id.
    """

    config: Path
    captures: tuple[Path, ...]
    truths: Mapping[str, CaptureTruth]


def small_archive(folder: Path, captures: int = 3, sides: Sequence[str] = ("a",)) -> SmallArchive:
    """Write an archive of one stylus into a folder.

    Parameters
    ----------
    folder : Path
        Gets config.yaml, the sheets, records/ and captures/; results are to go to results/.
    captures : int
        How many, one every `HOURS_APART` on a stylus that wears.
    sides : sequence of str
        Sides of `RECORD` that the captures take turns with.
    """
    folder = folder.resolve()
    rows, paths, truths = [], [], {}
    for i in range(captures):
        name, side_id = f"c{i + 1:02d}", sides[i % len(sides)]
        hours = HOURS_APART * (i + 1)
        rows.append(
            (
                name,
                f"{name}.flac",
                f"2024-{1 + i % 12:02d}-{1 + i // 12:02d}",
                side_id,
                f"{hours:g}",
            )
        )
        stylus = StylusTruth(flat_um=FLAT_UM * (hours / HOURS_APART) ** 0.5)
        truth = plan_capture(small_side(side_id), stylus, small_chain(), CONDITIONS, i + 1)
        path = folder / "captures" / f"{name}.flac"
        write_capture(path, render_capture(truth, RATE_HZ, i + 1), RATE_HZ)
        paths.append(path)
        truths[name] = truth
    rows.sort(key=lambda row: row[2])
    _write_configuration(folder, rows)
    return SmallArchive(folder / "config.yaml", tuple(paths), truths)


def small_side(side: str) -> Side:
    """Return the side of the small record, as the workflow sees it."""
    return Side.from_mapping({**RECORD, **RECORD["sides"][side], "side": side})


def small_chain() -> Chain:
    """Return the chain of the small archive, as the workflow sees it."""
    return Chain.from_mapping({**CHAINS["bench"], "chain": "bench"})


def _write_configuration(folder: Path, rows: Sequence[tuple[str, ...]]) -> None:
    (folder / "records").mkdir(parents=True, exist_ok=True)
    config = {
        "captures_dir": str(folder / "captures"),
        "captures": str(folder / "captures.tsv"),
        "styli": str(folder / "styli.tsv"),
        "cartridges": str(folder / "cartridges.yaml"),
        "chains": str(folder / "chains.yaml"),
        "records_dir": str(folder / "records"),
        "results": str(folder / "results"),
    }
    for name, content in (
        ("config.yaml", config),
        ("cartridges.yaml", CARTRIDGES),
        ("chains.yaml", CHAINS),
        ("records/small.yaml", RECORD),
    ):
        (folder / name).write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
    _write_sheet(
        folder / "captures.tsv",
        "capture file captured_at stylus record side chain stylus_hours temperature_c",
        [
            (name, file, day, "s1", "small", side, "bench", hours, "21")
            for name, file, day, side, hours in rows
        ],
    )
    _write_sheet(
        folder / "styli.tsv",
        "stylus cartridge fitted_on hours_at_fitting",
        [("s1", "mm-small", "2023-12-01", "0")],
    )


def _write_sheet(path: Path, header: str, rows: Sequence[tuple[str, ...]]) -> None:
    lines = ["\t".join(row) for row in [tuple(header.split()), *rows]]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
