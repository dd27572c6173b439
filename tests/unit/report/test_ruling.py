"""Grid, small ticks and figures of a panel."""

import matplotlib as mpl
import pytest
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.ticker import FixedFormatter, FixedLocator

from grooveledger.report.pictures.ruling import rule
from grooveledger.report.pictures.style import RC, panel


@pytest.fixture(scope="module")
def axes() -> Axes:
    with mpl.rc_context(RC):
        _, axes = panel()
        axes.set_xscale("log")
        axes.set_xlim(20.0, 200.0)
        axes.set_ylim(-1.0, 1.0)
        axes.xaxis.set_major_locator(FixedLocator([10.0, 20.0, 50.0, 100.0]))
        axes.xaxis.set_major_formatter(FixedFormatter(["10", "20", "50", "100"]))
        axes.xaxis.set_minor_locator(FixedLocator([30.0, 300.0]))
        axes.yaxis.set_major_locator(FixedLocator([-1.0, 0.0, 1.0, 2.0]))
        rule(axes, "black", "grey")
    return axes


def test_figures_stand_at_the_ticks_inside_and_are_not_cut_off(axes: Axes) -> None:
    texts = [child for child in axes.texts if isinstance(child, Text)]
    below = [text.get_position()[0] for text in texts if text.get_verticalalignment() == "top"]
    beside = [text.get_text() for text in texts if text.get_horizontalalignment() == "right"]
    assert below == [20.0, 50.0, 100.0]
    assert beside == ["\N{MINUS SIGN}1", "0", "1"]
    assert not any(text.get_clip_on() for text in texts)


def test_grid_and_small_ticks_lie_inside(axes: Axes) -> None:
    across, up, small = (line for line in axes.lines if isinstance(line, Line2D))
    assert across.get_xdata()[::3] == pytest.approx([20.0, 50.0, 100.0])
    assert up.get_ydata()[::3] == pytest.approx([-1.0, 0.0, 1.0])
    assert small.get_xdata() == pytest.approx([30.0])


def test_no_ticks_are_left_and_the_limits_stay(axes: Axes) -> None:
    assert not len(axes.get_xticks())
    assert not len(axes.get_yticks())
    assert axes.get_xlim() == (20.0, 200.0)
    assert axes.get_ylim() == (-1.0, 1.0)
