"""Pictures: the same bytes each time, both channels distinct without colour, honest axes."""

import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import make_archive
import make_tables
from grooveledger.measure.quantities import METRICS
from grooveledger.report.pictures import (
    arm_match,
    axes,
    azimuth,
    frequency,
    motion,
    style,
    svg,
    timeline,
    tracking,
)
from grooveledger.report.pictures.axes import frequency_axis
from grooveledger.report.pictures.bias import bias
from grooveledger.report.pictures.channel_match import channel_match
from grooveledger.report.pictures.control import control
from grooveledger.report.pictures.geometry import geometry
from grooveledger.report.pictures.modulation import modulation
from grooveledger.report.pictures.overlay import difference, overlay
from grooveledger.report.pictures.resonance import resonance
from grooveledger.report.pictures.rows import Columns, where
from grooveledger.report.pictures.scanning import scanning
from grooveledger.report.pictures.trend import FAINT, fitted, pointwise_band, trend
from grooveledger.storage import tables
from text_boxes import collisions

SVG = "{http://www.w3.org/2000/svg}"


def columns(capture: int = 0) -> dict[str, Columns]:
    made = make_tables.capture_tables(make_tables.sheet_rows()[capture])
    return {name: tables.columns(rows) for name, rows in made.items()}


FITS = [
    row
    for row in make_archive.drift_table().to_pylist()
    if row["metric"] == "response_10khz_db" and row["stylus"] == "worn"
]


def trend_points() -> Columns:
    """The treble of `worn` over its hours."""
    rows = [row for row in make_tables.sheet_rows() if row["stylus"] == "worn"]
    made = [tables.columns(make_tables.metrics_table(row)) for row in rows]
    every = {name: np.concatenate([part[name] for part in made]) for name in made[0]}
    return where(every, metric="response_10khz_db")


def trend_of(made: dict[str, Columns]) -> style.Picture:
    return trend("response_10khz_db", "Response at 10 kHz", trend_points(), FITS, 30.0)


def control_of(made: dict[str, Columns]) -> style.Picture:
    return control("Output at the rated velocity", CONTROL)


CONTROL: list[dict[str, Any]] = [
    {
        "metric": "output_mv", "channel": "left", "unit": "mV", "value": 3.1 + 0.01 * place,
        "centre": 3.1, "low": 3.05, "high": 3.15, "stylus_hours": 40.0 + 10 * place,
        "reason": "beyond the limits",
    }
    for place in range(7)
]  # fmt: skip


#: A cartridge turned by half a degree, with a leak that stays.
AZIMUTH: Columns = {
    "frequency_hz": np.geomspace(20, 20_000, 60),
    "azimuth_deg": np.full(60, 0.5),
    "noise_deg": np.full(60, 0.1),
    "separation_db": np.full(60, 24.0),
    "balanced_separation_db": np.full(60, 26.0),
    "limited": np.arange(60) > 55,
}


#: Five arms, two of them alike and two close together, and what is known of one cartridge's
#: compliance: 7 g on 15 and 13 um/mN as measured, 12 by its sheet.
ARMS = {"bench": 13.0, "bench-far-away": 13.0, "light": 5.0, "heavy": 24.0, "heavier": 24.5}
COMPLIANCES = [
    ("both", "half the static", 12.0), ("lateral", "measured", 15.0), ("vertical", "measured", 13.0)
]  # fmt: skip
ARM_MATCH: Columns = {
    name: np.array(values, dtype=object if name in ("axis", "basis", "chain") else float)
    for name, values in {
        "axis": [axis for axis, _, _ in COMPLIANCES for _ in ARMS],
        "basis": [basis for _, basis, _ in COMPLIANCES for _ in ARMS],
        "chain": [chain for _ in COMPLIANCES for chain in ARMS],
        "compliance_um_per_mn": [value for _, _, value in COMPLIANCES for _ in ARMS],
        "compliance_uncertainty_um_per_mn": [0.1 * c for _, _, c in COMPLIANCES for _ in ARMS],
        "moving_mass_g": [7.0 + mass_g for _ in COMPLIANCES for mass_g in ARMS.values()],
    }.items()
}
ARM_HZ = 159.155 / np.sqrt(ARM_MATCH["moving_mass_g"] * ARM_MATCH["compliance_um_per_mn"])
ARM_MATCH = {
    **ARM_MATCH,
    "resonance_hz": ARM_HZ,
    "resonance_low_hz": 0.88 * ARM_HZ,
    "resonance_high_hz": 1.12 * ARM_HZ,
}


def overlay_of(made: dict[str, Columns], table: str = "response") -> style.Picture:
    """Eight curves with long names, the most that one picture holds."""
    own = {name: values[:240] for name, values in made["response"].items()}
    curves = [
        (f"47.5 k\N{GREEK CAPITAL LETTER OMEGA}, 15{place} pF (present, flattest)", own)
        for place in range(len(style.SERIES))
    ]
    return overlay("overlay", "Response under other loads", table, curves)


SCANNING = {
    "track": np.full(24, 7.0),
    "channel": np.array(["left"] * 12 + ["right"] * 12, dtype=object),
    "frequency_hz": np.tile(1000.0 * 2.0 ** (np.arange(12) / 3.0), 2),
    "loss_db": np.tile(0.02 * np.arange(12.0) ** 2, 2),
    "loss_noise_db": np.full(24, 0.03),
    "loss_record_db": np.full(24, 0.04),
    "limited": np.zeros(24, dtype=bool),
}


#: A high tone modulated by a low one: the first order of both channels, the second of the left
#: one, and a row that noise hides.
MODULATION: Columns = {
    "channel": np.array(["left", "left", "right", "right"], dtype=object),
    "low_order": np.array([1, 2, 1, 2]),
    "low_hz": np.full(4, 400.0),
    "high_hz": np.full(4, 4000.0),
    "am_in_phase_pct": np.array([1.2, 0.2, -0.9, np.nan]),
    "am_quadrature_pct": np.array([-0.3, 0.1, 0.4, np.nan]),
    "am_noise_pct": np.array([0.05, 0.05, 0.06, np.nan]),
    "fm_in_phase_pct": np.array([0.12, 0.02, 0.11, np.nan]),
    "fm_quadrature_pct": np.array([0.05, -0.01, 0.06, np.nan]),
    "fm_noise_pct": np.array([0.005, 0.005, 0.006, np.nan]),
    "limited": np.array([False, False, False, True]),
}
#: One lateral track on which the right channel is lost first, one that both track throughout.
BIAS: Columns = {
    "track": np.array([8.0, 9.0]),
    "frequency_hz": np.array([315.0, 1000.0]),
    "left_tracked_um": np.array([80.0, 20.0]),
    "left_lost_um": np.array([90.0, np.nan]),
    "right_tracked_um": np.array([70.0, 20.0]),
    "right_lost_um": np.array([80.0, np.nan]),
    "first_lost": np.array(["right", "neither"], dtype=object),
    "change": np.array(["more", None], dtype=object),
}


def two_tracks(rows: Columns) -> Columns:
    """The same steps on another track, at another frequency."""
    other = {**rows, "track": rows["track"] + 1, "frequency_hz": np.full(12, 1000.0)}
    rows = {**rows, "frequency_hz": np.full(12, 315.0)}
    return {name: np.concatenate([rows[name], other[name]]) for name in rows}


def change_of(made: dict[str, Columns]) -> style.Picture:
    """The right channel less the left one, as a change of the left."""
    rows = made["response"]
    change = rows["response_db"][240:] - rows["response_db"][:240]
    parts = [("left", rows["frequency_hz"][:240], change, np.full(240, 0.3))]
    return difference("Response, change", "response", parts, "", (20.0, 20_000.0))


DRAWN: dict[str, Callable[[dict[str, Columns]], style.Picture]] = {
    "response": lambda made: frequency.response(made["response"]),
    "separation": lambda made: frequency.separation(made["separation"]),
    "azimuth": lambda made: azimuth.azimuth(AZIMUTH),
    "channel_match": lambda made: channel_match(made["channel_match"], made["tracks"]),
    "geometry": lambda made: geometry(made["geometry"]),
    "scanning": lambda made: scanning(SCANNING),
    "geometry third": lambda made: geometry(made["geometry"], 3),
    "arm_match": lambda made: arm_match.arm_match(ARM_MATCH, ARMS),
    "distortion": lambda made: frequency.distortion(made["distortion"]),
    "spectrum": lambda made: frequency.spectrum(made["spectrum"], 1000.0),
    "noise": lambda made: frequency.noise_density(made["observations/noise_density"]),
    "resonance": lambda made: resonance(made["resonance"], made["resonance_fit"]),
    "speed": lambda made: motion.speed_trace(made["observations/speed_trace"], 5),
    "revolution": lambda made: motion.revolution(made["observations/speed_trace"], 5, 100 / 3),
    "timeline": lambda made: timeline.timeline(made["tracks"], 190.0),
    "tracking": lambda made: tracking.tracking_ability(made["tracking_ability"]),
    "tracking on two tracks": lambda made: tracking.tracking_ability(
        two_tracks(made["tracking_ability"])
    ),
    "modulation": lambda made: modulation(MODULATION, 10),
    "bias": lambda made: bias(BIAS),
    "trend": trend_of,
    "control": control_of,
    "overlay": overlay_of,
    "change": change_of,
}


@pytest.fixture(scope="module")
def made() -> dict[str, Columns]:
    return columns()


@pytest.mark.parametrize("name", DRAWN)
def test_the_same_bytes_for_the_same_figures(name: str, made: dict[str, Columns]) -> None:
    first, second = DRAWN[name](made), DRAWN[name](made)
    assert svg.document(first) == svg.document(second)
    assert svg.png(first) == svg.png(second)


@pytest.mark.parametrize("name", DRAWN)
def test_every_axis_has_a_unit_and_the_picture_says_what_it_shows(
    name: str, made: dict[str, Columns]
) -> None:
    picture = DRAWN[name](made)
    # Lanes are named one by one.
    for panel in picture.figure.axes[name in ("timeline", "bias") :]:
        assert panel.get_ylabel().endswith(")")
    assert picture.figure.axes[-1].get_xlabel().endswith(")")
    assert len(picture.alt) > 40
    assert any(sign.isdigit() for sign in picture.alt)


@pytest.mark.parametrize("name", DRAWN)
def test_inlined_pictures_are_whole_and_follow_the_pages_colours(
    name: str, made: dict[str, Columns]
) -> None:
    picture = DRAWN[name](made)
    document = svg.document(picture)
    inline = svg.inline(document, picture)
    root = ET.fromstring(inline)
    assert root.attrib["aria-label"] == picture.alt
    assert not any(colour in inline for colour in style.COLOURS.values())
    ids = [node.attrib["id"] for node in root.iter() if "id" in node.attrib]
    assert len(ids) == len(set(ids))
    assert all(name.startswith(picture.name) for name in ids)
    used = {
        value.removeprefix("#")
        for node in root.iter()
        for key, value in node.attrib.items()
        if key.endswith("href")
    }
    assert used <= set(ids)
    assert ET.fromstring(document).findall(f".//{SVG}text"), "text stays text"


@pytest.mark.parametrize("name", DRAWN)
def test_no_text_covers_another_or_is_cut_off(name: str, made: dict[str, Columns]) -> None:
    picture = style.signed(DRAWN[name](made), "c0001: stylus worn, bench-a side a, 47 k, 155 pF")
    assert collisions(picture) == []


def test_a_text_that_covers_another_is_noticed(made: dict[str, Columns]) -> None:
    picture = DRAWN["response"](made)
    panel = picture.figure.axes[0]
    panel.annotate("over the key", (0.0, 1.02), xycoords="axes fraction")
    panel.annotate("beyond the edge of the picture", (0.95, 0.5), xycoords="axes fraction")
    pairs = collisions(picture)
    assert ("beyond the edge of the picture", "edge") in pairs
    assert any("over the key" in pair for pair in pairs)


def drawn_line(picture: style.Picture, gid: str, panel: int = 0, place: int = 0) -> np.ndarray:
    """Points of a line of a picture, shape (2, n), those that are drawn."""
    lines = [line for line in picture.figure.axes[panel].lines if line.get_gid() == gid]
    points = np.array(lines[place].get_data(), dtype=float)
    return points[:, np.isfinite(points).all(axis=0)]


@pytest.mark.parametrize(
    ("name", "table", "column"),
    [
        ("response", "response", "response_db"),
        ("separation", "separation", "separation_db"),
        ("distortion", "distortion", "thd_pct"),
        ("geometry", "geometry", "measured_h2_pct"),
    ],
)
def test_curves_against_frequency_are_the_tables(
    name: str, table: str, column: str, made: dict[str, Columns]
) -> None:
    """Figures as a line, bounds as a dotted one, nothing else and nothing lost."""
    picture = DRAWN[name](made)
    for channel in ("left", "right"):
        rows = where(made[table], channel=channel)
        limited = rows["limited"].astype(bool)
        figures = np.array([rows["frequency_hz"], rows[column]])[:, ~limited]
        assert drawn_line(picture, f"curve.{channel}") == pytest.approx(figures)
        if limited.any():
            bounds = np.array([rows["frequency_hz"], rows[column]])[:, limited]
            assert drawn_line(picture, f"part.{channel}") == pytest.approx(bounds)


def test_what_the_inner_groove_loses_has_the_band_of_noise_and_cuts() -> None:
    picture = scanning(SCANNING)
    for place, channel in enumerate(("left", "right")):
        rows = where(SCANNING, channel=channel)
        points = np.array([rows["frequency_hz"], rows["loss_db"]])
        assert drawn_line(picture, f"curve.{channel}") == pytest.approx(points)
        (corners,) = (
            path.vertices for path in picture.figure.axes[0].collections[place].get_paths()
        )
        assert corners[:, 1].max() == pytest.approx(rows["loss_db"].max() + 0.05)


def test_what_another_load_would_do_has_a_band() -> None:
    hz = np.geomspace(20.0, 20_000.0, 50)
    part = {"frequency_hz": hz, "response_db": np.zeros(50), "band_db": hz / 20_000.0}
    band = overlay("loads", "Loads", "response", [("47 k", part)]).figure.axes[0].collections[0]
    (corners,) = (path.vertices for path in band.get_paths())
    assert corners[:, 1].max() == pytest.approx(1.0)
    assert corners[:, 1].min() == pytest.approx(-1.0)


def test_the_band_of_a_response_is_its_uncertainty(made: dict[str, Columns]) -> None:
    band = DRAWN["response"](made).figure.axes[0].collections[0]
    rows = where(made["response"], channel="left")
    (corners,) = (path.vertices for path in band.get_paths())
    top = rows["response_db"] + rows["uncertainty_db"]
    bottom = rows["response_db"] - rows["uncertainty_db"]
    assert corners[:, 1].max() == pytest.approx(top.max())
    assert corners[:, 1].min() == pytest.approx(bottom.min())


@pytest.mark.parametrize(("name", "order"), [("geometry", 2), ("geometry third", 3)])
def test_geometrys_share_is_the_tables(name: str, order: int, made: dict[str, Columns]) -> None:
    picture = DRAWN[name](made)
    for channel in ("left", "right"):
        rows = where(made["geometry"], channel=channel)
        assert drawn_line(picture, f"curve.{channel}__geometry") == pytest.approx(
            np.array([rows["frequency_hz"], rows[f"geometry_h{order}_pct"]])
        )
        # What is only a bound is dotted.
        stated = np.isfinite(rows[f"noise_h{order}_pct"])
        assert drawn_line(picture, f"curve.{channel}") == pytest.approx(
            np.array([rows["frequency_hz"], rows[f"measured_h{order}_pct"]])[:, stated]
        )


def test_single_tones_have_a_filled_and_an_open_mark(made: dict[str, Columns]) -> None:
    rows = {name: values[[120, 360]] for name, values in made["geometry"].items()}
    drawn = {
        line.get_gid(): (line.get_fillstyle(), line.get_linestyle())
        for line in geometry(rows).figure.axes[0].lines
    }
    for channel in ("left", "right"):
        assert drawn[f"curve.{channel}"] == ("full", "None")
        assert drawn[f"curve.{channel}__geometry"] == ("none", "None")


def test_the_match_of_the_channels_is_the_tables(made: dict[str, Columns]) -> None:
    rows = made["channel_match"]
    picture = DRAWN["channel_match"](made)
    for panel, column in enumerate(("balance_db", "phase_deg")):
        assert drawn_line(picture, "curve.lateral", panel) == pytest.approx(
            np.array([rows["frequency_hz"], rows[column]])
        )
    top = picture.figure.axes[0].collections[0].get_paths()[0].vertices[:, 1].max()
    assert top == pytest.approx((rows["balance_db"] + rows["noise_db"]).max())
    assert "polarity" not in picture.note


def test_a_reversed_channel_is_said_and_its_phase_does_not_jump(made: dict[str, Columns]) -> None:
    rows = dict(made["channel_match"])
    count = len(rows["track"])
    rows["polarity"] = np.full(count, "reversed", dtype=object)
    rows["phase_deg"] = np.where(np.arange(count) % 2, 179.0, -179.0)
    picture = channel_match(rows, made["tracks"])
    assert "polarity is reversed" in picture.note
    assert set(drawn_line(picture, "curve.lateral", 1)[1]) == {179.0, 181.0}


def test_harmonics_are_the_tables(made: dict[str, Columns]) -> None:
    picture = DRAWN["distortion"](made)
    rows = where(made["distortion"], channel="right")
    parts = [
        line.get_ydata() for line in picture.figure.axes[0].lines if line.get_gid() == "part.right"
    ]
    for column in ("h2_pct", "h3_pct"):
        assert any(np.allclose(np.asarray(part, float), rows[column]) for part in parts), column


def test_a_spectrum_draws_lines_of_the_table_and_keeps_every_peak(
    made: dict[str, Columns],
) -> None:
    picture = DRAWN["spectrum"](made)
    for panel, channel in enumerate(("left", "right")):
        rows = where(made["spectrum"], channel=channel)
        known = dict(zip(rows["frequency_hz"], rows["level_db"], strict=True))
        for frequency_hz, level_db in drawn_line(picture, f"curve.{channel}", panel).T:
            assert known[frequency_hz] == level_db
        drawn_hz = set(drawn_line(picture, f"curve.{channel}", panel)[0])
        assert {1000.0, 2000.0, 3000.0} <= drawn_hz


def test_a_noise_density_keeps_the_power_of_the_table(made: dict[str, Columns]) -> None:
    """Closed form: a full-scale sine has half a unit of power, so 10 lg of twice the density."""
    picture = DRAWN["noise"](made)
    rows = where(made["observations/noise_density"], channel="left")
    drawn_hz, level_db = drawn_line(picture, "curve.left")
    expected = np.interp(
        np.log(drawn_hz), np.log(rows["frequency_hz"]),
        10 * np.log10(2 * rows["density_fs2_per_hz"]),
    )  # fmt: skip
    assert level_db == pytest.approx(expected, abs=0.1)


def test_a_resonance_is_the_tables_and_its_upright_the_fit(made: dict[str, Columns]) -> None:
    picture = DRAWN["resonance"](made)
    rows = made["resonance"]
    # What is drawn is relative to the fit far above resonance.
    relative_db = rows["response_db"] - made["resonance_fit"]["asymptote_db"][0]
    assert drawn_line(picture, "curve.lateral") == pytest.approx(
        np.array([rows["frequency_hz"], relative_db])
    )
    assert "9.5 dB high" in picture.alt
    alone = resonance(rows, None)
    assert drawn_line(alone, "curve.lateral")[1] == pytest.approx(rows["response_db"])
    assert "an octave below" in alone.note
    assert "an octave below" not in picture.note
    upright = drawn_line(picture, "part.lateral")
    assert upright[0] == pytest.approx(made["resonance_fit"]["resonance_hz"][0])


def test_modulation_is_the_tables_in_planes_of_one_scale() -> None:
    """An arm from the middle to each figure that is stated, and its noise about it."""
    planes = modulation(MODULATION, 10).figure.axes
    for kind, plane in zip(("am", "fm"), planes, strict=True):
        arms = [line for line in plane.lines if line.get_gid()]
        ends = np.array([np.asarray(arm.get_data(), float)[:, 1] for arm in arms])
        stated = [0, 1, 2]
        expected = [MODULATION[f"{kind}_{part}_pct"][stated] for part in ("in_phase", "quadrature")]
        assert ends == pytest.approx(np.column_stack(expected))
        assert [arm.get_fillstyle() for arm in arms] == ["full", "none", "full"]
        for around, noise in zip(plane.patches, MODULATION[f"{kind}_noise_pct"], strict=False):
            assert around.get_extents().width > 0
            assert (around.width, around.height) == pytest.approx((2 * noise, 2 * noise))
        assert plane.get_xlim() == plane.get_ylim()
        assert np.abs(ends).max() < plane.get_xlim()[1] <= 5 * np.abs(ends).max()


def test_bias_draws_what_is_tracked_and_where_it_is_lost() -> None:
    picture = bias(BIAS)
    bars = [
        (bar.get_gid(), bar.get_x(), bar.get_x() + bar.get_width())
        for bar in picture.figure.axes[0].patches
    ]
    assert bars == [
        ("part.left", 0.0, 80.0), ("part.left", 80.0, 90.0),
        ("part.right", 0.0, 70.0), ("part.right", 70.0, 80.0),
        ("part.left", 0.0, 20.0), ("part.right", 0.0, 20.0),
    ]  # fmt: skip
    assert "Track 8: the right channel is lost first, which asks for more bias" in picture.note
    assert "Track 9: no step was lost; nothing is to be concluded" in picture.note


def test_steps_of_several_tracks_are_lines_of_their_own(made: dict[str, Columns]) -> None:
    rows = two_tracks(made["tracking_ability"])
    picture = tracking.tracking_ability(rows)
    for track, hz in ((8, "315 Hz"), (9, "1 kHz")):
        own = where(rows, channel="left", track=track)
        drawn = drawn_line(picture, f"curve.{axes.slug(f'left, track {track}, {hz}')}")
        assert drawn == pytest.approx(np.array([own["amplitude_um"], own["thd_pct"]]))


def test_a_resonance_names_the_rooms_temperature(made: dict[str, Columns]) -> None:
    rows, fits = made["resonance"], made["resonance_fit"]
    assert "Room: 21.5 \N{DEGREE SIGN}C" in resonance(rows, fits, 21.5).note
    assert "No temperature was noted" in resonance(rows, fits, None).note


def test_an_arms_resonance_is_on_the_curve_of_its_compliance(made: dict[str, Columns]) -> None:
    """Closed form: 159.155 over the root of mass and compliance; bars and band are the table's."""
    panel = DRAWN["arm_match"](made).figure.axes[0]
    for axis, basis, compliance in COMPLIANCES:
        name = axes.slug(arm_match.label_of(axis, basis))
        mass_g, hz = drawn_line(DRAWN["arm_match"](made), f"curve.{name}")
        assert hz == pytest.approx(159.155 / np.sqrt((7.0 + mass_g) * compliance), rel=1e-5)
        rows = where(ARM_MATCH, axis=axis, basis=basis)
        points = drawn_line(DRAWN["arm_match"](made), f"part.{name}")
        assert points == pytest.approx(np.array([list(ARMS.values()), rows["resonance_hz"]]))
        band, bars = (one for one in panel.collections if one.get_gid() == f"part.{name}")
        ends = np.array([path.vertices[:, 1] for path in bars.get_paths()])
        assert ends == pytest.approx(
            np.column_stack([rows["resonance_low_hz"], rows["resonance_high_hz"]])
        )
        top = band.get_paths()[0].vertices[:, 1].max()
        assert top == pytest.approx(1.1 * hz.max())
    (shaded,) = panel.patches
    assert (shaded.get_y(), shaded.get_y() + shaded.get_height()) == (8.0, 12.0)
    note = DRAWN["arm_match"](made).note
    assert "Arms: 1 light (5.0 g); 2 bench, bench-far-away (13.0 g);" in note


def test_speed_is_the_tables(made: dict[str, Columns]) -> None:
    rows = made["observations/speed_trace"]
    time_s, deviation_pct = drawn_line(DRAWN["speed"](made), "curve.deviation")
    known = dict(zip(rows["time_s"], rows["deviation_pct"], strict=True))
    assert len(time_s) > 300
    assert all(known[t] == d for t, d in zip(time_s, deviation_pct, strict=True))
    angle_deg, mean_pct = drawn_line(DRAWN["revolution"](made), "curve.deviation")
    # Closed form: the trace turns with 0.1 % once a revolution.
    phase = 2 * np.pi * angle_deg / 360
    assert 2 * np.mean(mean_pct * np.sin(phase)) == pytest.approx(0.1, abs=5e-3)


def test_a_time_line_has_the_tables_tracks_and_levels(made: dict[str, Columns]) -> None:
    picture = DRAWN["timeline"](made)
    bars = [(bar.get_x(), bar.get_x() + bar.get_width()) for bar in picture.figure.axes[0].patches]
    rows = made["tracks"]
    located = np.isin(rows["match"], ("found", "unexpected"))
    wanted = zip(rows["start_s"][located], rows["stop_s"][located], strict=True)
    assert np.array(sorted(bars)) == pytest.approx(np.array(sorted(wanted)))
    levels = drawn_line(picture, "curve.left", 1)[1]
    assert set(levels) == {
        max(level, timeline.FLOOR_DBFS) if np.isfinite(level) else timeline.FLOOR_DBFS
        for level in rows["level_left_dbfs"]
    }


def test_tracking_is_the_tables_and_crosses_what_was_not_tracked(
    made: dict[str, Columns],
) -> None:
    picture = DRAWN["tracking"](made)
    rows = where(made["tracking_ability"], channel="left")
    assert drawn_line(picture, "curve.left") == pytest.approx(
        np.array([rows["amplitude_um"], rows["thd_pct"]])
    )
    crossed = [
        line.get_xdata() for line in picture.figure.axes[0].lines if line.get_marker() == "x"
    ]
    assert list(crossed[0]) == list(rows["amplitude_um"][rows["mistracking"]])


def test_a_trend_has_the_tables_figures_line_limit_and_interval(
    made: dict[str, Columns],
) -> None:
    picture = DRAWN["trend"](made)
    points = where(trend_points(), channel="left")
    hours, value = drawn_line(picture, "curve.left")
    assert hours == pytest.approx(points["stylus_hours"])
    assert value == pytest.approx(points["value"])
    (fit,) = (row for row in FITS if row["channel"] == "left")
    line_h, line = drawn_line(picture, "part.left")
    slope = fit["slope_per_100h"] / 100
    assert line == pytest.approx(fit["baseline_value"] + slope * (line_h - fit["baseline_hours"]))
    limits = [line for line in picture.figure.axes[0].lines if line.get_gid() == "part.limit"]
    assert {float(line.get_ydata()[0]) for line in limits} == {row["limit_value"] for row in FITS}
    due = drawn_line(picture, "part.due_left")
    assert due[0] == pytest.approx([fit["hours_at_limit_low"], fit["hours_at_limit_high"]])
    assert due[1] == pytest.approx([fit["limit_value"]] * 2)


def test_a_trend_tells_sides_apart_and_ties_the_captures_of_a_day() -> None:
    points = {**trend_points(), "side": np.array(["a", "a", "b", "b"] * 5, dtype=object)}
    points["captured_at"] = np.array(["2024-01-05", "2024-01-05"] * 10, dtype=object)
    picture = trend("response_10khz_db", "Response at 10 kHz", points, [], 30.0)
    lines = [line for line in picture.figure.axes[0].lines if line.get_gid() == "curve.left"]
    fills = {line.get_fillstyle(): len(line.get_xdata()) for line in lines}
    sides = where(points, channel="left")["side"]
    assert fills == {
        fill: count
        for fill, side in zip(("full", "left"), ("a", "b"), strict=True)
        if (count := int((sides == side).sum()))
    }
    assert "Marks: filled, bench-a side a; left half filled, bench-a side b." in picture.note
    tied = [line for line in picture.figure.axes[0].lines if line.get_alpha() == 0.6]
    assert len(tied) == 2, "all of one day, a line a channel"
    alone = trend("response_10khz_db", "Response at 10 kHz", trend_points(), [], 30.0)
    assert "Marks:" not in alone.note


def test_a_trend_of_four_channels_has_room_for_their_names() -> None:
    points = trend_points()
    count = len(points["value"])
    names = np.array(["left", "right", "lateral", "vertical"] * count, dtype=object)[:count]
    picture = trend("x_db", "X", {**points, "channel": names}, [], 30.0)
    assert collisions(style.signed(picture, "Stylus worn of mm-one")) == []
    shown = picture.figure.axes[0].get_legend()
    assert shown is not None
    assert len(shown.get_texts()) == 5


def test_a_trends_line_goes_through_the_solid_marks() -> None:
    """What the fit takes for record and temperature is off them; faint marks are as measured."""
    points = where(trend_points(), channel="left")
    (fit,) = (row for row in FITS if row["channel"] == "left")
    line = fitted(fit, points["stylus_hours"])
    added = 0.4 * np.arange(len(line))
    measured = {**points, "value": line + added + 0.01}
    given = {
        (name, "left"): value
        for name, value in zip(points["capture"][1:], (line + added)[1:], strict=True)
    }
    picture = trend("response_10khz_db", "Response at 10 kHz", measured, [fit], 30.0, given)
    hours, solid = drawn_line(picture, "curve.left")
    assert hours == pytest.approx(points["stylus_hours"][1:]), "the first is not in the fit"
    assert solid == pytest.approx(line[1:] + 0.01)
    (faint,) = (line for line in picture.figure.axes[0].lines if line.get_alpha() == FAINT)
    assert faint.get_ydata() == pytest.approx(measured["value"])
    assert "Solid marks" in picture.note
    alone = trend("response_10khz_db", "Response at 10 kHz", measured, [fit], 30.0)
    assert "Solid marks" not in alone.note


def test_a_trend_tells_copies_apart() -> None:
    points = {**trend_points(), "copy": np.array(["old", "new"] * 10, dtype=object)}
    picture = trend("response_10khz_db", "Response at 10 kHz", points, [], 30.0)
    said = "Marks: filled, bench-a side a (copy new); left half filled, bench-a side a (copy old)."
    assert said in picture.note


def test_a_trends_axis_is_named_by_the_figure_however_long_its_name() -> None:
    """So a picture that is taken from its page says what it shows."""
    longest = sorted(METRICS, key=lambda name: len(METRICS[name].words))[-4:]
    for name in longest:
        title = METRICS[name].words
        picture = trend(name, title, trend_points(), FITS, 30.0)
        label = picture.figure.axes[0].get_ylabel()
        assert label.replace("\n", " ") == f"{title} (dB)"
        assert collisions(picture) == []
        assert f'data-label-y="{title} (dB)"' in svg.inline(svg.document(picture), picture).replace(
            "&#39;", "'"
        )


def test_a_control_chart_is_the_tables(made: dict[str, Columns]) -> None:
    picture = DRAWN["control"](made)
    hours = [row["stylus_hours"] for row in CONTROL]
    assert drawn_line(picture, "curve.left") == pytest.approx(
        np.array([hours, [row["value"] for row in CONTROL]])
    )
    for place, limit in enumerate(("low", "high")):
        edge = drawn_line(picture, "curve.control_limits", place=place)
        assert edge == pytest.approx(np.array([hours, [row[limit] for row in CONTROL]]))


def test_azimuth_is_the_tables_without_its_bounds(made: dict[str, Columns]) -> None:
    picture = DRAWN["azimuth"](made)
    for gid, column, panel in (
        ("curve.angle", "azimuth_deg", 0),
        ("curve.as_played", "separation_db", 1),
        ("curve.angle_taken_out", "balanced_separation_db", 1),
    ):
        wanted = np.array([AZIMUTH["frequency_hz"], AZIMUTH[column]])[:, :56]
        assert drawn_line(picture, gid, panel) == pytest.approx(wanted)


def test_an_overlay_and_a_change_are_the_tables(made: dict[str, Columns]) -> None:
    rows = where(made["response"], channel="left")
    curve = np.array([rows["frequency_hz"], rows["response_db"]])
    lines = [line for line in DRAWN["overlay"](made).figure.axes[0].lines if line.get_gid()]
    assert lines
    for line in lines:
        assert np.array(line.get_data()) == pytest.approx(curve)
    other = where(made["response"], channel="right")["response_db"]
    change = drawn_line(DRAWN["change"](made), "curve.left")
    assert change == pytest.approx(np.array([curve[0], other - curve[1]]))


def test_channels_differ_in_line_and_mark_not_in_colour_alone() -> None:
    for marks in (style.MARKS.values(), style.SERIES):
        looks = [(mark.dash, mark.marker) for mark in marks]
        assert len(set(looks)) == len(looks)
    assert style.MARKS["left"].dash != style.MARKS["right"].dash
    assert style.MARKS["left"].marker != style.MARKS["right"].marker


def test_captures_share_their_axes() -> None:
    for name in ("response", "separation", "distortion", "resonance"):
        one, other = (DRAWN[name](columns(capture)).figure.axes[0] for capture in (0, 2))
        assert one.get_xlim() == other.get_xlim()
        assert one.get_ylim() == other.get_ylim()


def test_pictures_that_hold_the_same_values_closely_share_a_tight_axis() -> None:
    hz = np.geomspace(100, 20_000, 50)
    curves = {
        name: {"frequency_hz": hz, "separation_db": np.linspace(first, last, 50)}
        for name, first, last in (("left", 27.0, 16.0), ("right", 24.0, 13.0))
    }
    held = [curve["separation_db"] for curve in curves.values()]
    for name, curve in curves.items():
        picture = overlay(name, "Separation", "separation", [("35 h", curve)], held=held)
        (panel,) = picture.figure.axes
        assert panel.get_ylim() == (10.0, 30.0)
        assert collisions(picture) == []


def test_a_scale_that_had_to_be_widened_says_so(made: dict[str, Columns]) -> None:
    loud = {**made["response"], "response_db": made["response"]["response_db"] + 20}
    picture = frequency.response(loud)
    assert picture.figure.axes[0].get_ylim()[1] >= loud["response_db"].max()
    assert frequency.WIDENED in picture.note
    assert frequency.WIDENED not in frequency.response(made["response"]).note


def test_bounds_are_said_to_be_bounds(made: dict[str, Columns]) -> None:
    assert frequency.BOUND in frequency.separation(made["separation"]).note
    sure = {**made["separation"], "limited": np.zeros(480, dtype=bool)}
    assert frequency.BOUND not in frequency.separation(sure).note


def test_a_line_has_no_more_points_than_can_be_seen() -> None:
    x = np.arange(100_000.0)
    (thin,) = axes.decimated(x)
    assert len(thin) <= axes.POINTS_MAX
    frequency_hz = np.geomspace(10, 20_000, 100_000)
    level_db = np.full(100_000, -90.0)
    level_db[54_321] = -3.0
    shown_hz, shown_db = frequency._peaks_kept(frequency_hz, level_db)
    assert len(shown_hz) <= axes.POINTS_MAX + 1
    assert shown_db.max() == -3.0, "a line of the spectrum is never lost in thinning"


def test_folding_gives_what_repeats_each_turn() -> None:
    """Closed form: a sine at the rotation rate folds on itself, one beside it averages out."""
    time_s = np.arange(0, 180, 0.005)
    turning = 0.1 * np.sin(2 * np.pi * time_s / 1.8)
    other = 0.05 * np.sin(2 * np.pi * time_s * 7.321)
    mean, spread = motion.folded(time_s, 0.4 + turning + other, 100 / 3)
    angle = (np.arange(motion.ANGLE_SLICES) + 0.5) / motion.ANGLE_SLICES * 2 * np.pi
    assert mean == pytest.approx(0.1 * np.sin(angle), abs=2e-3)
    assert spread == pytest.approx(0.05 / np.sqrt(2), abs=4e-3)


def test_a_fits_line_has_its_baseline_slope_and_step() -> None:
    fit: dict[str, Any] = {
        "baseline_value": 10.0,
        "baseline_hours": 30.0,
        "slope_per_100h": -2.0,
        "change_at_hours": 200.0,
        "change_value": 1.0,
    }
    assert fitted(fit, np.array([30.0, 130.0, 230.0])) == pytest.approx([10.0, 8.0, 7.0])


def test_the_band_of_a_line_is_that_of_its_mean_and_slope_at_each_point() -> None:
    """Closed form: variance of the mean and of the slope times the distance from the middle."""
    fit = {
        "baseline_value": 1.0, "baseline_hours": 30.0, "slope_per_100h": -0.5, "slope_low": -0.7,
        "slope_high": -0.3, "change_at_hours": None, "residual_sd": 0.1, "n": 27,
    }  # fmt: skip
    hours = np.array([30.0, 200.0, 370.0])
    low, high = pointwise_band(fit, hours, 200.0)
    mean = 2.0595 * 0.1 / np.sqrt(27)  # Student's t of 25 degrees
    half = np.hypot(0.2 * np.abs(hours - 200.0) / 100.0, mean)
    line = fitted(fit, hours)
    assert high - line == pytest.approx(half, rel=1e-3)
    assert line - low == pytest.approx(half, rel=1e-3)


def test_a_forecast_is_capped_and_a_step_drawn_only_where_it_is_reported() -> None:
    (fit,) = (row for row in FITS if row["channel"] == "left")
    points = where(trend_points(), channel="left")
    newest_h = points["stylus_hours"].max()
    far = {
        **fit, "hours_at_limit": 50 * newest_h, "hours_at_limit_high": None, "verdict": "drifting",
        "change_at_hours": 100.0, "change_value": 0.5,
    }  # fmt: skip
    for verdict, steps in (("drifting", 1), ("steady", 0)):
        picture = trend("x_db", "X", points, [{**far, "verdict": verdict}], 30.0)
        (panel,) = picture.figure.axes
        upright = [
            line
            for line in panel.lines
            if line.get_linestyle() == "--" and np.ptp(line.get_xdata()) == 0
        ]
        assert len(upright) == steps
        assert panel.get_xlim()[1] <= 1.5 * newest_h * 1.031
        drawn = [line for line in panel.lines if line.get_gid() == "part.left"]
        assert max(float(np.max(line.get_xdata())) for line in drawn) <= 1.5 * newest_h
        assert not [line for line in panel.lines if line.get_gid() == "part.limit"]


def test_a_control_chart_says_what_was_predicted() -> None:
    row = {
        "metric": "output_mv", "channel": "left", "unit": "mV", "value": 3.0, "centre": 3.1,
        "low": 3.05, "high": 3.15, "stylus_hours": 50.0, "reason": "beyond the limits",
    }  # fmt: skip
    picture = control("Output", [{**row, "stylus_hours": 40.0, "value": 3.1}, row])
    assert "predicted between 3.05 and 3.15 mV" in picture.alt
    assert "beyond the limits" in picture.note


def test_marks_that_look_alike_have_their_style_once(made: dict[str, Columns]) -> None:
    """A stylus's page has thousands of marks."""
    picture = DRAWN["trend"](made)
    root = ET.fromstring(svg.inline(svg.document(picture), picture))
    groups = [group for group in root.iter("g") if len(group) > 1 and group[0].tag == "use"]
    assert groups
    for group in groups:
        assert "fill:" in group.attrib["style"]
        assert not any("style" in mark.attrib for mark in group)


def test_saving_writes_vector_and_pixels(tmp_path: Path, made: dict[str, Columns]) -> None:
    svg.save_with_pixels(DRAWN["response"](made), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["response.png", "response.svg"]
    assert "<dc:date>" not in (tmp_path / "response.svg").read_text(encoding="utf-8")


def test_a_frequency_axis_of_one_point_has_a_width() -> None:
    _, axes = style.panel(2.0)
    frequency_axis(axes, 1000.0, 1000.0)
    assert axes.get_xlim() == pytest.approx((707.1, 1414.2), abs=0.1)
