"""Dry times from touch checks: what shortens drying, by how much, and when a new batch will be dry.

A touch check says only that a piece became dry between two looks: that bracket is analysed, never its middle.
The arithmetic is in `fizzlab.models.censored_fit`, the method in docs/methods/dry_time.md.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.errors import CannotAnswer
from fizzlab.language import say
from fizzlab.models.air import MEANS, AirModel, drying_air, drying_windows, vapour_pressure_deficit
from fizzlab.models.basis import factor_basis
from fizzlab.models.censored import NotFitted
from fizzlab.models.censored_fit import fit_batches
from fizzlab.models.curing_fit import VPD, CuringFit
from fizzlab.models.result import Study
from fizzlab.models.terms import (
    ALL,
    Amount,
    Category,
    Term,
    by_run,
    grouping,
    level_name,
    model_matrix,
    parse_formula,
    parts,
    terms_of,
    varying,
)
from fizzlab.models.touch import (
    SeenOrder,
    brackets,
    check_pieces,
    check_terms,
    explained,
    judged_by_days,
    seen_order,
)

__all__ = ["VPD", "CuringFit", "TouchStudy", "brackets", "fit_curing_time", "study_touch"]

#: What sets each level, by its name, in the order to show them.
Levels = Mapping[str, Mapping[str, Any]]

#: How the room's air enters.
_AIR = Amount(VPD, "kPa", log=True)


def fit_curing_time(
    looks: pd.DataFrame,
    formula: str | Sequence[Term] = (),
    *,
    runs: pd.DataFrame,
    model: str | Sequence[str] = "main",
    room_log: pd.DataFrame | None = None,
    air: AirModel = "vpd",
    forecast_air: tuple[float, float] | None = None,
    margin: float | None = None,
    conf_level: float = 0.95,
    response: str = "dry_h",
) -> CuringFit:
    """Fit a regression of dry times on factors, amounts and the room's air to touch checks.

    log T = x'beta + day + batch + sigma e, with normal days, batches and pieces.

    Parameters
    ----------
    looks : DataFrame
        Touch checks with columns run, piece, hours, dry; or brackets with run, piece, lower, upper (hours).
    formula : str or sequence of Category or Amount
        ``"colour * binder + oil_g"``; see `parse_formula`.
    runs : DataFrame
        One row a batch: run (or that index), a column for each factor, day, and made_at for the room log, or
        the air itself (vpd_kpa). Batches without looks are passed over.
    model : {"main", "interactions", "quadratic", "full"} or sequence of str
        Which effects of given factors, as in `fit_response`. A formula says it.
    room_log : DataFrame, optional
        Columns time, temp_c, rh_pct; batches of a day share one window of it (`drying_windows`).
    air : {"vpd", "none"}
        Does the vapour-pressure deficit enter? It is left out, with a note, where too few days can judge it.
    forecast_air : (temp_c, rh_pct), optional
        The air that `CuringFit.predict` holds if not asked; the middle of the batches' own if left out.
    margin : float, optional
        The ratio above 1 within which two levels count as the same.

    Raises
    ------
    CannotAnswer
        Pieces, or all of a level, on one side of their looks; terms that cannot be told apart; too few
        batches or days; looks too far apart; no convergence.

    Notes
    -----
    `loglik` is of maximum likelihood; estimates use the variances that maximise the restricted likelihood,
    and t with the degrees of freedom of the stratum that each is judged in.

    Examples
    --------
    >>> looks = pd.DataFrame({"run": list("AABBCCDDEEFF"), "piece": [1, 2] * 6,
    ...                       "lower": [6.0, 6, 8, 8, 4, 6, 10, 8, 8, 10, 6, 8]})
    >>> runs = pd.DataFrame({"run": list("ABCDEF"), "colour": ["dye", "lake"] * 3})
    >>> dry = fit_curing_time(looks.assign(upper=looks["lower"] + 2), "colour", runs=runs)
    >>> dry.table[["level", "control", "estimate", "df"]].round(1).values.tolist()
    [['lake', 'dye', 1.2, 4.0]]
    >>> dry.predict({"colour": "lake"}, share=0.9)["estimate"].round(0).tolist()
    [10.0]
    """
    bracketed = {"lower", "upper"} <= set(looks.columns)
    pieces = looks[["run", "piece", "lower", "upper"]] if bracketed else brackets(looks)
    runs = by_run(runs, pieces["run"])
    if room_log is not None and air != "none":
        seen = pieces["upper"].where(np.isfinite(pieces["upper"]), pieces["lower"])
        checks = pieces.assign(hours=seen, dry=np.isfinite(pieces["upper"]))
        runs = runs.join(drying_air(room_log, drying_windows(checks, checks.head(0), runs)))
    check_pieces(pieces, runs)
    batches, notes = runs[runs.index.isin(pieces["run"])], list[str]()
    if air != "none":
        batches, notes = _with_air(batches)
    air_terms = [_AIR] if air != "none" and VPD in batches else []
    terms, model = parse_formula(formula, batches, model)
    kept, left = varying(
        [*(term for term in terms if term.name != VPD or not air_terms), *air_terms], batches
    )
    names = [term.name for term in kept]
    known = [name for name in names if name in {term.name for term in terms}]
    amounts = [term.name for term in kept if isinstance(term, Amount) and term.name in known]
    asked = model if isinstance(model, str) else [each for each in model if set(parts(each)) <= set(names)]
    wanted = terms_of(asked, known if isinstance(model, str) else names, amounts)
    joint = tuple(each for each in wanted if ":" in each or "^" in each)
    pieces = pieces[pieces["run"].isin(batches.index)].reset_index(drop=True)
    n_days: int | None = None
    said: list[str] = []
    if "day" in batches and batches["day"].isna().any():
        raise ValueError("day has missing values")
    if "day" in batches and batches["day"].nunique() == 1 < len(batches):
        said = [say("note_one_day")]
    elif "day" in batches and batches["day"].nunique() < len(batches):
        n_days = int(batches["day"].nunique())
        kept, joint, unjudged = judged_by_days(batches, kept, joint, air_terms)
        said += unjudged
    basis = factor_basis(batches, kept, [*(term.name for term in kept), *joint])
    x, plain = basis.matrix(batches), model_matrix(batches, kept, joint).to_numpy(float)
    columns = list(basis.columns)
    check_terms(pieces, batches, kept, x, columns)
    ends = pieces["lower"].to_numpy(float), pieces["upper"].to_numpy(float)
    batch = batches.index.get_indexer(pd.Index(pieces["run"]))
    day = None if n_days is None else pd.factorize(batches["day"])[0]
    try:
        inner = fit_batches(*ends, batch, x, day)
    except NotFitted as failure:
        raise explained(failure, columns) from None
    found, alike = inner.found, inner.pieces_alike
    if alike and len(pieces) > len(batches):
        said.append(say("note_alike"))
    elif alike and (pieces["lower"] < pieces["upper"]).any():
        said.append(say("note_one_piece"))
    typical: dict[str, Any] = {
        term.name: term.control if isinstance(term, Category) else float(batches[term.name].median())
        for term in kept
    }
    if forecast_air is not None and VPD in typical:
        typical[VPD] = float(vapour_pressure_deficit(*forecast_air))
    fit = CuringFit(
        response=response,
        batches=batches,
        terms=tuple(term for term in kept if term not in air_terms),
        conf_level=conf_level,
        n_batches=len(batches),
        loglik=found.loglik,
        notes=(*notes, *left, *said),
        brackets=pieces,
        air=tuple(term for term in air_terms if term in kept),
        joint=joint,
        typical=typical,
        coefficients=pd.DataFrame(),
        sigma=np.nan if alike else found.sigma,
        tau=found.sigma if alike else found.tau,
        delta=np.nan if n_days is None else found.delta,
        n_days=n_days,
        basis=basis,
        inner=inner,
    )
    # each level against the control and amounts as written, whatever was fitted
    rows = pd.DataFrame([fit.interval(row) for row in np.linalg.lstsq(plain, x, rcond=None)[0]], columns)
    rows = rows.rename(columns={"estimate": "coef"}).drop(columns="t").rename_axis("column")
    effects = [
        fit.compare(term, *pair, margin) for term in fit.terms for pair in term.pairs(batches[term.name])
    ]
    return replace(fit, effects=tuple(effects), coefficients=rows)


def with_joint_effects(fit: CuringFit) -> CuringFit | None:
    """The same with every joint effect of two factors and every bend that the batches can tell, if any."""
    names = [term.name for term in fit.terms]
    bends = [t.name for t in fit.terms if isinstance(t, Amount) and fit.batches[t.name].nunique() > 2]
    both = terms_of("interactions", names, [])
    for model in ([*both, *(f"{name}^2" for name in bends)], both):
        if fit.joint or len(model) == len(names):
            continue
        with suppress(CannotAnswer):
            more: dict[str, Any] = {"conf_level": fit.conf_level, "response": fit.response}
            air: AirModel = "vpd" if fit.air else "none"
            found = fit_curing_time(fit.brackets, fit.terms, runs=fit.batches, model=model, air=air, **more)
            if found.terms == fit.terms and found.air == fit.air:
                return replace(found, typical=fit.typical)
    return None


def _with_air(batches: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The batches whose air is known, and what was not counted; without the air where it is known of none."""
    if VPD not in batches:
        return batches, [say("note_no_room_log")]
    unknown = batches.index[batches[VPD].isna()]
    if len(unknown) == len(batches):
        return batches.drop(columns=[name for name in MEANS if name in batches]), [say("note_no_air")]
    if unknown.empty:
        return batches, []
    note = say("note_air_unknown", n=len(unknown), runs=", ".join(unknown))
    return batches.drop(index=unknown), [note]


@dataclass(frozen=True, kw_only=True)
class TouchStudy(Study):
    """What the touch checks of a trial say: `brackets` by piece, with the level of the factor `grouped_by`.

    `order` is which way dried later, day by day, where the looks carry no fit.
    """

    fits: Mapping[str, CuringFit] = field(default_factory=dict)
    brackets: pd.DataFrame
    grouped_by: Term | None
    levels: Levels
    order: Sequence[SeenOrder] = ()


def study_touch(
    tables: Mapping[str, pd.DataFrame],
    terms: Sequence[Term],
    *,
    air: AirModel = "vpd",
    model: str | Sequence[str] = "main",
    forecast_air: tuple[float, float] | None = None,
    margins: Mapping[str, float | None] | None = None,
    conf_level: float = 0.95,
) -> TouchStudy:
    """Join the touch checks of a trial to the air of their batches and fit the dry times."""
    pieces, runs = brackets(tables["touch_checks"]), with_air(tables, air)
    grouped, found = grouping(terms), dict[str, Any](readings={"dry_h": pieces})
    try:
        asked: dict[str, Any] = {"air": air, "forecast_air": forecast_air, "conf_level": conf_level}
        asked |= {"runs": runs, "margin": (margins or {}).get("dry_h")}
        fit = fit_planned(pieces, terms, model, **asked)
        pieces, runs, grouped = fit.brackets, fit.batches, grouping(fit.terms)
        found |= {"fits": {"dry_h": fit}, "notes": fit.notes}
    except CannotAnswer as reason:
        found["reasons"] = {"dry_h": reason}
        if isinstance(grouped, Category):
            found["order"] = seen_order(pieces, runs, grouped)
    pieces = pieces.assign(level=levels_of(pieces["run"], runs, grouped))
    return TouchStudy(brackets=pieces, grouped_by=grouped, levels=_levels(runs, grouped), **found)


def fit_planned(
    pieces: pd.DataFrame, terms: Sequence[Term], model: str | Sequence[str], **asked: Any
) -> CuringFit:
    """`fit_curing_time` with the planned model, or with main effects where the batches cannot tell that."""
    if model != "main":
        with suppress(CannotAnswer):
            return fit_curing_time(pieces, terms, model=model, **asked)
    return fit_curing_time(pieces, terms, **asked)


def _levels(batches: pd.DataFrame, term: Term | None) -> Levels:
    if term is None:
        return {ALL: {}}
    made = sorted(set(batches[term.name]))
    values = [level for level in term.levels if level in made] if isinstance(term, Category) else made
    return {level_name(term, value): {term.name: value} for value in values}


def with_air(tables: Mapping[str, pd.DataFrame], air: AirModel) -> pd.DataFrame:
    """The batches of a trial by run, with the air that each dried in where the room log tells."""
    runs = tables["runs"].set_index("run")
    if air == "none" or tables["room_log"].empty:
        return runs
    return runs.join(
        drying_air(tables["room_log"], drying_windows(tables["touch_checks"], tables["weighings"], runs))
    )


def levels_of(runs: pd.Series, batches: pd.DataFrame, term: Term | None) -> list[str]:
    """The level that each of some batches is shown with; `ALL` without a factor."""
    if term is None:
        return [ALL] * len(runs)
    return [level_name(term, value) for value in batches[term.name].reindex(runs)]
