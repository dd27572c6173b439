"""Pictures: the same bytes each time, both channels told apart without colour, honest axes."""

import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import make_archive
import make_tables
from grooveledger.report.pictures import axes, frequency, motion, style, svg, timeline, tracking
from grooveledger.report.pictures.control import control
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.trend import fitted, trend
from grooveledger.storage import tables

SVG = "{http://www.w3.org/2000/svg}"


def columns(capture: int = 0) -> dict[str, Columns]:
    made = make_tables.capture_tables(make_tables.sheet_rows()[capture])
    return {name: tables.columns(rows) for name, rows in made.items()}


def trend_of(made: dict[str, Columns]) -> style.Picture:
    points = {name: values[3:5] for name, values in made["metrics"].items()}
    fit = make_archive.drift_table().to_pylist()
    fits = [row for row in fit if row["metric"] == "response_10khz_db" and row["stylus"] == "worn"]
    return trend("response_10khz_db", "Response at 10 kHz", points, fits, 30.0)


DRAWN: dict[str, Callable[[dict[str, Columns]], style.Picture]] = {
    "response": lambda made: frequency.response(made["response"]),
    "separation": lambda made: frequency.separation(made["separation"]),
    "distortion": lambda made: frequency.distortion(made["distortion"]),
    "spectrum": lambda made: frequency.spectrum(made["spectrum"], 1000.0),
    "noise": lambda made: frequency.noise_density(made["observations/noise_density"]),
    "resonance": lambda made: frequency.resonance(made["resonance"], made["resonance_fit"]),
    "speed": lambda made: motion.speed_trace(made["observations/speed_trace"], 5),
    "revolution": lambda made: motion.revolution(made["observations/speed_trace"], 5, 100 / 3),
    "timeline": lambda made: timeline.timeline(made["tracks"], 190.0),
    "tracking": lambda made: tracking.tracking_ability(made["tracking_ability"]),
    "trend": trend_of,
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
    for panel in picture.figure.axes:
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


def test_a_control_chart_says_what_was_predicted() -> None:
    row = {
        "metric": "output_mv", "channel": "left", "unit": "mV", "value": 3.0, "centre": 3.1,
        "low": 3.05, "high": 3.15, "stylus_hours": 50.0, "reason": "beyond the limits",
    }  # fmt: skip
    picture = control("Output", [{**row, "stylus_hours": 40.0, "value": 3.1}, row])
    assert "predicted between 3.05 and 3.15 mV" in picture.alt
    assert "beyond the limits" in picture.note


def test_saving_writes_vector_and_pixels(tmp_path: Path, made: dict[str, Columns]) -> None:
    svg.save_with_pixels(DRAWN["response"](made), tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["response.png", "response.svg"]
    assert "<dc:date>" not in (tmp_path / "response.svg").read_text(encoding="utf-8")
