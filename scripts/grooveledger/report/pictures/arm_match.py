"""The resonance of a cartridge against the mass of its arm, and where the chains' arms lie."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes

from grooveledger.physics.arm_match import BAND_HZ
from grooveledger.physics.resonance import resonance_hz
from grooveledger.report.pictures.axes import WIDTH_PT, joined, key, line, slug, spread, value_axis
from grooveledger.report.pictures.rows import Columns, groups
from grooveledger.report.pictures.style import COLOURS, MARKS, Picture, house_style, panel
from grooveledger.vocabulary import words

#: Arms up to this effective mass are drawn, or up to the heaviest one, g.
ARM_MOST_G = 30.0
#: Points of a curve.
POINTS = 121
#: Looks by the axis along which a compliance holds; a data sheet's holds for both.
LOOKS = {**MARKS, "both": MARKS["both"]._replace(colour=COLOURS["left"])}
#: Names of the key in a line.
KEY_COLUMNS = 2
#: Least distance of two arms' numbers, in points.
NUMBER_DISTANCE_PT = 17.0


def arms(chains: Mapping[str, float]) -> list[tuple[float, list[str]]]:
    """List the effective masses of the chains' arms, rising, each with the chains that have it.

    Examples
    --------
    >>> arms({"bench": 13.0, "desk": 9.0, "bench-far": 13.0})
    [(9.0, ['desk']), (13.0, ['bench', 'bench-far'])]
    """
    return [
        (mass_g, [name for name, other_g in chains.items() if other_g == mass_g])
        for mass_g in sorted(set(chains.values()))
    ]


def label_of(axis: str, basis: str) -> str:
    """Name a compliance: by what it is known, and along which axis."""
    return basis if axis == "both" else f"{basis}, {axis}"


@house_style
def arm_match(rows: Columns, chains: Mapping[str, float]) -> Picture:
    """Draw the resonance against the arm's effective mass for each compliance that is known.

    Parameters
    ----------
    rows : mapping
        Rows of `arm_match` of one cartridge.
    chains : mapping
        Effective mass of each chain's arm, g.
    """
    known = list(groups(rows, "axis", "basis"))
    figure, axes = panel(3.4, key_lines=-(-len(known) // KEY_COLUMNS))
    masses = arms(chains)
    most_g = max(ARM_MOST_G, 1.1 * masses[-1][0])
    axes.set_xlim(0.0, most_g)
    axes.set_xlabel("Effective mass of the arm (g)")
    value_axis(
        axes, "Resonance (Hz)", 4, 20, 2, [rows["resonance_low_hz"], rows["resonance_high_hz"]]
    )
    axes.axhspan(*BAND_HZ, color=COLOURS["shade"], linewidth=0)
    for (axis, basis), part in known:
        _compliance(axes, part, label_of(str(axis), str(basis)), str(axis), chains)
    _numbers(axes, [mass_g for mass_g, _ in masses], most_g)
    key(axes, KEY_COLUMNS)
    low_hz, high_hz = BAND_HZ
    return Picture(
        "arm-match",
        "Resonance against the arm's mass",
        joined(
            [
                "Resonance in Hz against the effective mass of the arm in grams.",
                *(_spoken(part, label_of(str(a), str(b)), chains) for (a, b), part in known),
            ]
        ),
        figure,
        joined(
            [
                f"Shaded: {low_hz:g} to {high_hz:g} Hz, where it belongs (common practice). The "
                "band about a curve is what is not known of the compliance, the bar of a mark also "
                "what is not known of that arm's mass (95 %).",
                "Arms: "
                + "; ".join(
                    f"{place} {', '.join(names)} ({words.number(mass_g)} g)"
                    for place, (mass_g, names) in enumerate(masses, 1)
                )
                + ".",
            ]
        ),
    )


def _compliance(
    axes: Axes, part: Columns, label: str, axis: str, chains: Mapping[str, float]
) -> None:
    """Draw the curve of one compliance, its band, and the arms on it."""
    mark = LOOKS[axis]
    arm_g = np.array([chains[str(name)] for name in part["chain"]])
    cartridge_g = float(part["moving_mass_g"][0] - arm_g[0])
    compliance = float(part["compliance_um_per_mn"][0])
    # Half the relative standard uncertainty, twice for 95 %: the resonance goes with the root.
    relative = float(part["compliance_uncertainty_um_per_mn"][0]) / compliance
    low_hz, high_hz = axes.get_ylim()
    mass_g = np.linspace(0.0, axes.get_xlim()[1], POINTS)
    hz = resonance_hz(mass_g + cartridge_g, compliance)
    mass_g, hz = (values[(hz >= low_hz) & (hz <= high_hz)] for values in (mass_g, hz))
    band = axes.fill_between(
        mass_g, hz * (1 - relative), hz * (1 + relative), color=mark.colour, alpha=0.12, linewidth=0
    )
    band.set_gid(f"part.{slug(label)}")
    line(axes, mass_g, hz, mark._replace(marker=""), label, marks=0)
    (points,) = axes.plot(arm_g, part["resonance_hz"], mark.marker, color=mark.colour, markersize=7)
    bars = axes.vlines(
        arm_g, part["resonance_low_hz"], part["resonance_high_hz"], color=mark.colour, linewidth=1.2
    )
    for drawn in (points, bars):
        drawn.set_gid(f"part.{slug(label)}")


def _numbers(axes: Axes, masses_g: list[float], most_g: float) -> None:
    """Rule a numbered vertical at each arm; numbers that would touch are moved apart."""
    width_pt = axes.get_position().width * WIDTH_PT
    distance = min(NUMBER_DISTANCE_PT / width_pt, 1.0 / len(masses_g))
    places = spread([mass_g / most_g for mass_g in masses_g], distance)
    for number, (mass_g, place) in enumerate(zip(masses_g, places, strict=True), 1):
        axes.axvline(mass_g, color=COLOURS["soft"], linewidth=0.5, linestyle=":")
        axes.annotate(
            str(number),
            (place, 1.0),
            xycoords="axes fraction",
            xytext=(2, -2),
            textcoords="offset points",
            verticalalignment="top",
            color=COLOURS["ink"],
        )


def _spoken(part: Columns, label: str, chains: Mapping[str, float]) -> str:
    spots = [
        f"{words.with_unit(float(hz), 'Hz')} with {words.number(chains[str(name)])} g"
        for name, hz in zip(part["chain"], part["resonance_hz"], strict=True)
    ]
    return f"{label.capitalize()}: {', '.join(dict.fromkeys(spots))}."
