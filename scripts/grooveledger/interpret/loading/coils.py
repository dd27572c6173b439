"""Which coil values a cartridge's loading is calculated with, and where they come from."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.loading.fit import (
    CoilFit,
    FitLimits,
    ResistancePrior,
    fit_one_load,
    fit_two_loads,
    tells_of_coil,
)
from grooveledger.interpret.loading.prediction import Coil
from grooveledger.interpret.response_curves import Curve, after_break_in, channel_curves, mean_curve
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import combine, rectangular, tolerance_db
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import COILS

#: Resistance of a moving magnet's or moving iron's coil where the sheet is silent, 400 to 1500 ohm
#: (from memory): the geometric mean, and the half-width in ln over sqrt(3).
ASSUMED_RESISTANCE = ResistancePrior(775.0, 0.38)

#: Relative standard uncertainty with which a fit is free to leave the sheet's resistance, as wide
#: as an assumed one, and how many of its own it may be away (JCGM 100, 6.3.3).
FREE_RESISTANCE_U = ASSUMED_RESISTANCE.relative_u
AGREEMENT = 2.0
#: Relative standard uncertainty of a fitted resistance from losses of another law (our choice;
#: scripts/studies/loading_study.py counts refusals of right sheets).
LAW_RESISTANCE_U = 0.2


class PlayedCapture(NamedTuple):
    """A capture with responses, as far as loading cares; `curves` by channel."""

    capture: str
    stylus: str
    cartridge: str
    chain: str
    record: str
    side: str
    curves: Mapping[str, Curve]

    @property
    def curve(self) -> Curve:
        """The mean of the channels."""
        return mean_curve([self.curves[channel] for channel in sorted(self.curves)])


class Pair(NamedTuple):
    """Two captures of one stylus under different loads."""

    first: PlayedCapture
    second: PlayedCapture


class Material(NamedTuple):
    """What loading draws on: the first capture of each stylus on each chain, and pairs of loads."""

    first: Sequence[PlayedCapture]
    pairs: Sequence[Pair]


class CoilFinding(NamedTuple):
    """The coil values in use (None: unknown), the bases of both values, and what was fitted."""

    coil: Coil | None
    inductance_basis: str
    resistance_basis: str | None
    fit: CoilFit | None
    reason: str


def gather(
    chains: Mapping[str, Chain],
    captures: pd.DataFrame,
    response: pd.DataFrame,
    styli: pd.DataFrame,
) -> Material:
    """Choose the captures that loading draws on, all after break-in.

    Of each stylus and chain the first capture whose response refers to 1 kHz, so that wear has
    least part in it; of each stylus on two chains of different load the pair nearest in hours, of
    one record side where there is one.
    """
    ready = after_break_in(captures, styli)
    usable = response[
        response["reference_hz"].notna()
        & response["response_db"].notna()
        & response["uncertainty_db"].notna()
        & ~response["limited"].fillna(False).astype(bool)
    ]
    covering = usable.loc[usable["reference_hz"] == REFERENCE_HZ, "capture"].unique()
    ready = ready[ready["capture"].isin(covering) & ready["chain"].isin(list(chains))]
    first = ready.drop_duplicates(["stylus", "chain"])
    pairs = [
        pair for _, rows in ready.groupby("stylus", sort=True) for pair in _pairs(rows, chains)
    ]
    wanted = {*first["capture"], *(capture for pair in pairs for capture in pair)}
    curves = channel_curves(usable[usable["capture"].isin(wanted)])
    sheet = ready.set_index("capture")

    def played(capture: str) -> PlayedCapture:
        row = sheet.loc[capture]
        own = {channel: curve for (name, channel), curve in curves.items() if name == capture}
        stylus, cartridge, chain, record, side = (
            str(row[name]) for name in ("stylus", "cartridge", "chain", "record", "side")
        )
        return PlayedCapture(capture, stylus, cartridge, chain, record, side, own)

    return Material(
        [played(capture) for capture in first["capture"]],
        [Pair(played(one), played(other)) for one, other in pairs],
    )


def find_coils(
    cartridges: Mapping[str, Cartridge],
    chains: Mapping[str, Chain],
    material: Material,
    settings: Mapping[str, Any],
) -> dict[str, CoilFinding]:
    """Settle the coil values of every cartridge.

    In this order: fitted to two loads, where that is identified and surer than the data sheet; the
    data sheet; fitted to one load, where identified; else unknown.
    """
    return {
        name: _find(
            cartridge,
            chains,
            Material(
                [played for played in material.first if played.cartridge == name],
                [pair for pair in material.pairs if pair.first.cartridge == name],
            ),
            settings,
        )
        for name, cartridge in sorted(cartridges.items())
    }


def coils_table(
    cartridges: Mapping[str, Cartridge], findings: Mapping[str, CoilFinding]
) -> pd.DataFrame:
    """Return the coil values in use, beside the sheet's and the fitted ones, with the reason."""
    rows = []
    for name, finding in findings.items():
        coil, fit = finding.coil, finding.fit
        rows.append(
            {
                "cartridge": name,
                "inductance_mh": coil.inductance_mh if coil else None,
                "inductance_uncertainty_mh": coil.inductance_mh * coil.inductance_u
                if coil
                else None,
                "inductance_basis": finding.inductance_basis,
                "resistance_ohm": coil.resistance_ohm if coil else None,
                "resistance_uncertainty_ohm": coil.resistance_ohm * coil.resistance_u
                if coil
                else None,
                "resistance_basis": finding.resistance_basis,
                "sheet_inductance_mh": cartridges[name].coil_inductance_mh,
                "sheet_resistance_ohm": cartridges[name].coil_resistance_ohm,
                "fitted_inductance_mh": fit.inductance_mh if fit else None,
                "fitted_uncertainty_mh": fit.inductance_mh * fit.inductance_u if fit else None,
                "fit_residual_db": fit.residual_db if fit else None,
                "mechanical_hz": fit.mechanical_hz if fit else None,
                "mechanical_q": fit.mechanical_q if fit else None,
                "loss": coil.loss if coil and coil.loss_u is not None else None,
                "loss_uncertainty": coil.loss_u if coil else None,
                "losses_basis": _losses_basis(finding),
                "reason": finding.reason,
            }
        )
    return pd.DataFrame(rows, columns=list(COILS.names))


def _losses_basis(finding: CoilFinding) -> str | None:
    if finding.coil is None:
        return None
    return "stated" if finding.coil.loss_u is None else finding.inductance_basis


def measured_curve(material: Material, cartridge: str, chain: str) -> Curve | None:
    """Return the mean response of a cartridge's styli on a chain; None where there is none."""
    curves = [
        played.curve
        for played in material.first
        if played.cartridge == cartridge and played.chain == chain
    ]
    return mean_curve(curves) if curves else None


def pair_shape_uncertainty_db(pair: Pair, chains: Mapping[str, Chain]) -> float:
    """Return the standard uncertainty of the difference of a pair's responses, but for noise.

    The record's errors cancel where both captures are of one side; the preamplifiers' do not.
    """
    first, second = pair
    preamplifiers = tolerance_db(
        chains[first.chain].response_tolerance_db, chains[second.chain].response_tolerance_db
    )
    if (first.record, first.side) == (second.record, second.side):
        return preamplifiers
    return float(
        combine(
            preamplifiers,
            first.curve.uncertainty_db.mean(),
            second.curve.uncertainty_db.mean(),
        )
    )


def _pairs(rows: pd.DataFrame, chains: Mapping[str, Chain]) -> list[tuple[str, str]]:
    """Return the captures, of one stylus, that pair its chains of different load."""

    def load(chain: str) -> tuple[float, float]:
        return chains[chain].load_ohm, chains[chain].load_pf

    names = sorted(rows["chain"].unique())
    pairs = []
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            if load(one) == load(other):
                continue
            both = rows[rows["chain"] == one].merge(
                rows[rows["chain"] == other], how="cross", suffixes=("", "_2")
            )
            both["apart"] = (both["stylus_hours"] - both["stylus_hours_2"]).abs()
            both["sides"] = (both["record"] != both["record_2"]) | (both["side"] != both["side_2"])
            best = both.sort_values(["sides", "apart", "capture", "capture_2"]).iloc[0]
            pairs.append((str(best["capture"]), str(best["capture_2"])))
    return pairs


def _find(
    cartridge: Cartridge,
    chains: Mapping[str, Chain],
    material: Material,
    settings: Mapping[str, Any],
) -> CoilFinding:
    sheet_u = float(rectangular(settings["coil_tolerance_pct"] / 100.0))
    capacitance_u = float(rectangular(settings["capacitance_tolerance_pct"] / 100.0))
    trusted = cartridge.cartridge not in settings["uncertain_coils"]
    sheet_mh = cartridge.coil_inductance_mh if trusted else None
    prior, resistance_basis = _resistance(cartridge, trusted, sheet_u)
    if prior is None:
        return CoilFinding(
            None, "unknown", None, None, "a moving coil needs its inductance and resistance given"
        )
    limits = FitLimits(
        settings["fit_noise_db"], settings["fit_residual_max_db"], settings["identified_within_pct"]
    )
    fits = cartridge.principle != "moving_coil"
    pairs = [
        pair
        for pair in material.pairs
        if fits and tells_of_coil(pair.first.curve) and tells_of_coil(pair.second.curve)
    ]
    sheet_ohm = cartridge.coil_resistance_ohm if trusted else None
    if sheet_ohm is not None:
        refusals = [
            _refusal(pair, chains, sheet_ohm, sheet_u, limits, capacitance_u) for pair in pairs
        ]
        refused = next(filter(None, refusals), "")
        pairs = [pair for pair, why in zip(pairs, refusals, strict=True) if not why]
    else:
        refused = ""
    two = _best(
        fit_two_loads(
            pair.first.curve,
            pair.second.curve,
            chains[pair.first.chain],
            chains[pair.second.chain],
            prior,
            pair_shape_uncertainty_db(pair, chains),
            limits,
            capacitance_u,
        )
        for pair in pairs
    )
    if two and two.inductance_identified and (sheet_mh is None or two.inductance_u < sheet_u):
        reason = f"the sheet says {sheet_mh:g} mH" if sheet_mh else ""
        return _fitted(two, "two_loads", resistance_basis, reason)
    if sheet_mh is not None:
        coil = Coil(sheet_mh, sheet_u, prior.resistance_ohm, prior.relative_u)
        return CoilFinding(
            coil, "data_sheet", resistance_basis, two, two.reason if two else refused
        )
    by_chain = {name: measured_curve(material, cartridge.cartridge, name) for name in chains}
    one = _best(
        fit_one_load(curve, chains[name], prior, float(curve.uncertainty_db.mean()), limits)
        for name, curve in sorted(by_chain.items())
        if fits and curve is not None and tells_of_coil(curve)
    )
    if one and one.inductance_identified:
        return _fitted(one, "one_load", resistance_basis, "")
    best = two or one
    reason = (
        refused or best.reason
        if best
        else refused or "not on the sheet, and no response to fit it to"
    )
    return CoilFinding(None, "unknown", None, best, reason)


def _refusal(
    pair: Pair,
    chains: Mapping[str, Chain],
    sheet_ohm: float,
    sheet_u: float,
    limits: FitLimits,
    capacitance_u: float,
) -> str:
    """Say why a pair is refused: left free, its fit asks for a resistance far from the sheet's."""
    first, second = pair
    free = ResistancePrior(sheet_ohm, FREE_RESISTANCE_U)
    fit = fit_two_loads(
        first.curve,
        second.curve,
        chains[first.chain],
        chains[second.chain],
        free,
        pair_shape_uncertainty_db(pair, chains),
        limits,
        capacitance_u,
    )
    apart = abs(float(np.log(fit.resistance_ohm / sheet_ohm)))
    if apart <= AGREEMENT * float(combine(fit.resistance_u, sheet_u, LAW_RESISTANCE_U)):
        return ""
    return (
        f"the fit to {first.capture} and {second.capture} is refused: it asks for "
        f"{fit.resistance_ohm:.0f} ohm, far from the sheet's {sheet_ohm:.0f}; compare the loads of "
        "both chains and the sheet's resistance with what is fitted there, or measure the coil"
    )


def _resistance(
    cartridge: Cartridge, trusted: bool, sheet_u: float
) -> tuple[ResistancePrior | None, str | None]:
    if trusted and cartridge.coil_resistance_ohm is not None:
        return ResistancePrior(cartridge.coil_resistance_ohm, sheet_u), "data_sheet"
    if cartridge.principle == "moving_coil":
        return None, None
    return ASSUMED_RESISTANCE, "assumed"


def _best(fits: Any) -> CoilFit | None:
    """Return the surest fit, an identified one before others."""
    ranked = sorted(fits, key=lambda fit: (not fit.inductance_identified, fit.inductance_u))
    return ranked[0] if ranked else None


def _fitted(fit: CoilFit, basis: str, resistance_basis: str | None, reason: str) -> CoilFinding:
    coil = Coil(fit.inductance_mh, fit.inductance_u, fit.resistance_ohm, fit.resistance_u)
    if fit.losses_identified:
        coil = coil._replace(loss=fit.loss, loss_u=fit.loss_u)
    return CoilFinding(
        coil, basis, basis if fit.resistance_identified else resistance_basis, fit, reason
    )
