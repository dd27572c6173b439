"""The band of a difference: what two captures share cancels, what each has of its own does not."""

from typing import Any

import numpy as np
import pytest

from grooveledger.report.curve_changes import (
    CANCELS,
    DOES_NOT_CANCEL,
    BudgetedCapture,
    curve_change,
    note,
)
from grooveledger.report.stylus_pictures import newest_and_first

HZ = np.geomspace(100.0, 20_000.0, 60)
ROW = {"record": "bench", "side": "a", "copy": None, "chain": "bench"}


def budgets(sd: float, degrees: float = np.nan) -> dict[str, np.ndarray]:
    names = ["response_100hz_db", "response_10khz_db", "thd_1khz_pct", "separation_1khz_db"]
    return {
        "metric": np.array(names),
        "channel": np.array(["left"] * len(names)),
        "repeatability": np.full(len(names), sd),
        "repeatability_dof": np.full(len(names), degrees),
    }


def curve(level: float, noise: float) -> dict[str, np.ndarray]:
    return {
        "frequency_hz": HZ,
        "response_db": np.full(60, level),
        "noise_db": np.full(60, noise),
        "speed_db": np.zeros(60),
        "uncertainty_db": np.full(60, 0.6),
        "separation_db": np.full(60, 25.0 + level),
        "floor_db": np.full(60, 45.0 + level),
        "thd_pct": np.full(60, 1.0 + level),
        "noise_pct": np.full(60, noise),
    }


def half(table: str = "response", other: dict[str, Any] | None = None, sd: float = 0.04) -> Any:
    old = BudgetedCapture(ROW, budgets(sd)), curve(0.0, 0.03)
    new = BudgetedCapture({**ROW, **(other or {})}, budgets(sd)), curve(0.5, 0.03)
    found = curve_change(table, "left", old, new)
    assert found.change == pytest.approx(np.full(60, 0.5))
    return found.half_band


def test_tolerances_that_both_share_cancel() -> None:
    assert half() == pytest.approx(np.full(60, 1.96 * np.sqrt(2) * 0.05), rel=1e-3)
    assert half("distortion") == pytest.approx(half())


def test_tolerances_that_differ_do_not() -> None:
    wanted = 1.96 * np.sqrt(2) * np.hypot(0.6, 0.04)
    for other in ({"record": "x"}, {"copy": "new"}, {"chain": "x"}):
        assert half(other=other) == pytest.approx(np.full(60, wanted), rel=1e-3)
    assert half("separation", other={"chain": "x"}) is None


def test_separations_own_part_is_the_noise_of_the_undriven_channel() -> None:
    assert half("separation", sd=0.0)[0] == pytest.approx(
        1.96 * np.sqrt(2) * 20 / np.log(10) * np.sqrt(0.5) * 10 ** (-20 / 20), rel=1e-3
    )


def test_few_repeats_widen_the_band() -> None:
    old = BudgetedCapture(ROW, budgets(0.04, 3.0)), curve(0.0, 0.0)
    found = curve_change(
        "response", "left", old, (BudgetedCapture(ROW, budgets(0.04)), curve(0.0, 0.0))
    )
    assert found.half_band == pytest.approx(np.full(60, 0.04 * np.hypot(3.182, 1.96)), rel=1e-3)


def test_the_newest_is_compared_with_the_first_alike() -> None:
    def at(hours: float, **other: str) -> tuple[dict[str, Any], dict[str, Any]]:
        return {**ROW, "stylus_hours": hours, **other}, {}

    captures = [at(30.0, record="old"), at(50.0), at(70.0), at(90.0), at(90.0, chain="new")]
    assert newest_and_first(captures) == (captures[3], captures[1])
    # With none alike: of one record and side at least; else any two.
    unlike = [at(30.0, record="old"), at(50.0), at(90.0, chain="new")]
    assert newest_and_first(unlike) == (unlike[2], unlike[1])
    assert newest_and_first(unlike[:2]) == (unlike[1], unlike[0])
    assert newest_and_first([at(30.0), at(30.0)]) is None


def test_without_repeatability_there_is_no_band() -> None:
    old = BudgetedCapture(ROW, budgets(np.nan)), curve(0.0, 0.03)
    found = curve_change(
        "response", "left", old, (BudgetedCapture(ROW, budgets(0.04)), curve(0.0, 0.03))
    )
    assert found.half_band is None
    assert note(ROW, ROW, [found]) == ""


def test_the_caption_says_which_it_is() -> None:
    old = BudgetedCapture(ROW, budgets(0.04)), curve(0.0, 0.03)
    found = curve_change("response", "left", old, old)
    assert note(ROW, ROW, [found]) == CANCELS
    assert note(ROW, {**ROW, "chain": "x"}, [found]) == DOES_NOT_CANCEL
