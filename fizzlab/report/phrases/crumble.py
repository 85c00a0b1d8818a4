"""The crumbling part of a report in sentences and tables."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from math import isfinite
from typing import Any

import pandas as pd

from fizzlab.models.crumble import CrumbleStudy
from fizzlab.models.drops import DropFit
from fizzlab.models.raters import RaterAgreement
from fizzlab.report.findings import Finding
from fizzlab.report.phrases.numbers import count, listed, number, percent, ratio, signed


def next_steps(study: CrumbleStudy, raters: int) -> list[str]:
    """What to do about the raters before the next batches."""
    steps = [reason.would_help for reason in study.refused.values()]
    if raters == 1:
        steps.append("Let a second person score the same pieces, without seeing the first scores.")
    if study.agreement is not None and study.agreement.retrain:
        steps.append(
            f"Go through the scale with {listed(study.agreement.retrain)}, with a piece of every score from 0 "
            "to 4 on the table, before the next batches."
        )
    return steps


def rests_on(rows: pd.DataFrame, what: str) -> str:
    """What a test rests on, in one sentence: tumbles, drops or scores."""
    said = f"{count(len(rows), what)} of {count(rows['run'].nunique(), 'batch', 'batches')}"
    if what == "tumble":
        return f"{said}; the tumbles of a batch are averaged."
    if what == "drop":
        return f"{said}; {rows['broke'].sum()} pieces broke."
    return f"{said}, by {listed([str(rater) for rater in pd.unique(rows['rater'])])}."


def cell(row: Mapping[Hashable, Any], unit: str) -> str:
    """A number with its interval; an end that the readings leave open is said to be.

    Examples
    --------
    >>> cell({"estimate": 62.0, "conf_low": 0.0, "conf_high": 70.0}, "cm")
    '62 cm (up to 70)'
    """
    low, high = row["conf_low"], row["conf_high"]
    if isfinite(high):
        between = f"{number(low)} to {number(high)}" if low > 0 else f"up to {number(high)}"
    else:
        between = f"{number(low)} or more" if low > 0 else "how sure, the readings do not say"
    beyond = ", never tried" if row.get("extrapolated") else ""
    return f"{number(row['estimate'])} {unit}{beyond} ({between})"


def finding(topic: str, sentence: str, row: Mapping[Hashable, Any], unit: str, n_batches: int) -> Finding:
    """A number with its interval, for the record; an open end has no number."""
    low, high = (float(row[end]) if isfinite(row[end]) else None for end in ("conf_low", "conf_high"))
    return Finding(
        topic,
        sentence,
        float(row["estimate"]),
        low,
        high,
        unit,
        df=row.get("df"),
        batches=n_batches,
        beyond_tried=bool(row.get("extrapolated", False)),
    )


def agreement_findings(agreement: RaterAgreement) -> list[Finding]:
    """How far the raters agree, and who runs high or low; of two raters only how far they are apart."""
    said = {
        "agree": "The raters mean the same by a score",
        "roughly agree": "The raters mean roughly the same by a score: draw conclusions with care",
        "do not agree": "The raters do not mean the same by a score",
        "cannot tell": "Can't tell yet whether the raters mean the same by a score",
    }[agreement.verdict]
    ends = (agreement.conf_low, agreement.conf_high)
    between = f" ({ratio(ends[0])} to {ratio(ends[1])})" if isfinite(ends[0]) else ""
    sentence = (
        f"{said}: alpha {ratio(agreement.alpha)}{between}, of 1 at most. Two raters gave a piece the same score in "
        f"{percent(agreement.same)} of cases."
    )
    row: dict[Hashable, Any] = {
        "estimate": agreement.alpha,
        "conf_low": ends[0],
        "conf_high": ends[1],
        "df": agreement.df,
    }
    found = [finding("crumble.agreement", sentence, row, "alpha", agreement.n_batches)]
    leans = agreement.table.rename(columns={"difference": "estimate"}).to_dict("records")
    two = len(leans) == 2
    for lean in leans[:1] if two else leans:
        rater, others = lean["rater"], leans[1]["rater"] if two else "the others"
        reach = "alike in every batch"
        if isfinite(lean["conf_low"]):
            reach = f"{signed(lean['conf_low'])} to {signed(lean['conf_high'])}"
        way = "above" if lean["estimate"] > 0 else "below"
        size = f"{number(abs(lean['estimate']))} points {way}"
        sentence = f"{rater} scores {size} {others} on the same pieces ({reach})."
        if lean["runs"] == "level":
            sentence = f"Can't tell whether {rater} scores unlike {others}: {size} ({reach})."
        topic = "crumble.raters" if two else f"crumble.raters[{rater}]"
        found.append(finding(topic, sentence, lean, "points", int(lean["n_batches"])))
    return found


def step_doubt(losses: pd.DataFrame, decides: bool) -> str:
    """Which batches lost less than the scale can show, and whether that matters."""
    held = [str(run) for run in losses.index[losses["below_step"]]]
    matters = "An eighth of a step, or a whole one, changes no answer."
    if decides:
        matters = "Some answers hang on that: use a scale with a finer step, or tumble longer."
    half = number(losses["step_g"].iloc[0] / 2, 1)
    who = f"{'Batch' if len(held) == 1 else 'Batches'} {listed(held)}"
    return f"{who} lost less than the scale can show; half a step ({half} g) stands in. {matters}"


def drop_doubts(fit: DropFit) -> list[str]:
    """What to mind about the drops."""
    said = []
    if fit.separated:
        said.append("Height tells broken from whole without a mistake: use smaller steps between heights.")
    if fit.repeated:
        said.append(
            f"{count(fit.repeated, 'piece')} fell more than once; an earlier fall may have weakened them."
        )
    return said


def loss_table(losses: pd.DataFrame, factors: pd.DataFrame) -> pd.DataFrame:
    """Losses and broken pieces, one row a batch, with text cells; `factors` has what was changed."""
    rows = losses.to_dict("records")
    table = factors.assign(
        loss=["under half a step" if r["below_step"] else f"{number(r['loss_pct'])} %" for r in rows],
        tumbles=[str(r["tumbles"]) for r in rows],
    )
    if "broken" in losses:
        known = losses["broken"].notna()
        counts = [f"{row['broken']:.0f} of {row['pieces']:.0f}" for row in rows]
        table["broken"] = pd.Series(counts, losses.index).where(known, "not counted")
    return table.rename_axis("batch").reset_index()


def index_table(index: pd.DataFrame) -> pd.DataFrame:
    """The stated index and what each part gives to it, one row a batch, the best first."""
    heads = {"loss_pct": "from tumble loss", "broken_pct": "from broken pieces", "score": "from score"}
    ordered = index.sort_values("index", kind="stable")
    table = ordered.drop(columns="beyond").map("{:.2f}".format)
    if ordered["beyond"].any():
        table["past best or worst"] = ordered["beyond"].map({True: "yes", False: ""})
    return table.rename(columns=heads).rename_axis("batch").reset_index()


def methods(study: CrumbleStudy) -> str:
    """How it was worked out, as a paragraph of Markdown."""
    said = []
    if len(study.losses):
        said.append(
            "Loss: 100 (before − after) / before, the formula of the pharmacopoeias' friability test, whose drum and "
            "limit a home tumbler does not share. Shares of broken pieces: Wilson intervals with a design effect of "
            "the batches."
        )
    for fit in study.fits.values():
        if isinstance(fit, DropFit):
            penalty = "and Jeffreys' penalty" if fit.likelihood.penalised else "and no penalty"
            said.append(
                f"Drops: probit on log height with a random effect of the batch ({percent(fit.batch_share)} of the "
                f"variance) {penalty}; profile likelihood intervals, t and F on {fit.df} degrees of freedom."
            )
    if study.agreement is not None:
        said.append(
            "Agreement: Krippendorff's alpha (ordinal), delete-one-batch jackknife; leans: Student's t on batch means, "
            "Bonferroni from three raters."
        )
    return " ".join(said)
