"""How often the crumble intervals hold the truth: simulated workshops of a dozen batches.

Run by hand: ``python benchmarks/crumble_coverage.py [workshops] [part ...]``, parts being tumble, broken,
drops, scores, days and "drops in days" (both of another shape than the models: heavy-tailed days, gamma
batches). Prints a row a setting: truth, median estimate, and the share of 95 % intervals that held the
truth; with 300 workshops a share of 0.95 wanders between 0.925 and 0.975 by chance alone.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from functools import cache

import numpy as np
import pandas as pd
from scipy import special

import fizzlab.models.crumble as crumble
from fizzlab.errors import CannotAnswer
from fizzlab.models.drops import fit_drop_height
from fizzlab.models.effects import fit_response
from fizzlab.models.raters import krippendorff_alpha, rater_agreement

Result = dict[str, tuple[float, float, float, float]]  # truth, estimate, low, high


def workshop(batches: int) -> pd.DataFrame:
    return pd.DataFrame(
        {"run": [f"R{i:04d}" for i in range(batches)], "colour": ["dye", "lake"] * (batches // 2)}
    )


def row(fit: crumble.ResponseFit, share: float = 0.5) -> list[float]:
    return list(fit.predict({"colour": "dye"}, share=share).iloc[0, 1:4])


def tumble(rng: np.random.Generator, batches: int, step: float) -> Result:
    runs, rows = workshop(batches), []
    for run, colour in runs.to_numpy():
        share = np.exp(np.log(0.02) + np.log(1.5) * (colour == "lake") + 0.3 * rng.normal())
        for _ in range(2):
            before = rng.uniform(150, 250)
            after = before * (1 - share * np.exp(0.2 * rng.normal()))
            rows.append((run, step * round(before / step), step * round(after / step)))
    tumbles = pd.DataFrame(rows, columns=["run", "before_g", "after_g"])
    fit = crumble.fit_tumble_loss(tumbles, "colour", runs=runs, scale_step_g=step)
    effect = fit.effects[0]
    # the mean of two tumbles with spread 0.2 lies 0.25 x 0.2^2 above their median in the logarithm
    typical = 2 * np.exp(0.2**2 / 4)
    return {
        "ratio of losses": (1.5, effect.estimate, effect.conf_low, effect.conf_high),
        "typical loss, %": (typical, *row(fit)),
    }


def broken(rng: np.random.Generator, batches: int, tau: float) -> Result:
    runs, truth, counts = workshop(batches).set_index("run"), {"dye": 0.15, "lake": 0.35}, []
    for colour in runs["colour"]:
        p = truth[colour]
        chance = p if tau == 0 else rng.beta(p * (1 / tau - 1), (1 - p) * (1 / tau - 1))
        counts.append(float(rng.binomial(10, chance)))
    table = pd.DataFrame({"pieces": 10.0, "broken": counts}, index=runs.index)
    numbers = runs.assign(broken_pct=100 * table["broken"] / 10).reset_index()
    return of_shares(table, numbers)


def of_shares(table: pd.DataFrame, numbers: pd.DataFrame) -> Result:
    fit = crumble.fit_response(numbers, "broken_pct", "colour")
    rows = fit.predict({"colour": ["dye", "lake"]}).set_index("colour")
    reach = (rows["conf_high"] - rows["conf_low"]) / 2
    dye = crumble.broken_shares(table, numbers.set_index("run")["colour"], reach).loc["dye"]
    effect = fit.effects[0]
    return {
        "share, %": (15.0, dye["estimate"], dye["conf_low"], dye["conf_high"]),
        "difference, %": (20.0, effect.estimate, effect.conf_low, effect.conf_high),
    }


def drops(rng: np.random.Generator, pieces: int, share: float, up_and_down: bool, penalised: bool) -> Result:
    runs, spread, rows = workshop(12), 0.3, []
    between, within = spread * np.sqrt(share), spread * np.sqrt(1 - share)
    for run, colour in runs.to_numpy():
        centre = np.log(60) + np.log(1.3) * (colour == "lake") + between * rng.normal()
        height = 60.0
        for piece in range(pieces):
            if not up_and_down:
                height = (30.0, 45.0, 60.0, 90.0)[piece % 4]
            broke = bool(np.log(height) > centre + within * rng.normal())
            rows.append((run, piece, height, broke))
            height = height / 1.25 if broke else height * 1.25
    readings = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = fit_drop_height(readings, "colour", runs=runs, penalised=penalised)
    effect = fit.effects[0]
    return {
        "ratio of heights": (1.3, effect.estimate, effect.conf_low, effect.conf_high),
        "median, cm": (60.0, *row(fit)),
        "nine in ten survive": (60 * np.exp(special.ndtri(0.1) * spread), *row(fit, 0.1)),
    }


def in_days(rng: np.random.Generator, days: int, by_day: bool, sd: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Twelve batches on some days, and what day and batch add: days of t with 4 df, batches log gamma."""
    each = 12 // days
    day = np.repeat(np.arange(days), each)
    colour = day % 2 if by_day else (np.arange(12) + day) % 2
    runs = pd.DataFrame({"run": [f"R{i:02d}" for i in range(12)], "day": day})
    runs["colour"] = np.where(colour == 1, "lake", "dye")
    batch = (np.log(rng.gamma(4.0, size=12)) - 1.25612) / np.sqrt(0.283823)
    return runs, sd * rng.standard_t(4, days)[day] / np.sqrt(2) + sd * batch


def tumbled_in_days(rng: np.random.Generator, days: int, by_day: bool) -> Result:
    runs, added = in_days(rng, days, by_day, 0.2)
    share = np.exp(np.log(0.02) + np.log(1.5) * (runs["colour"] == "lake") + added)
    tumbles = pd.DataFrame({"run": runs["run"], "before_g": 200.0, "after_g": 200 * (1 - share)})
    fit = crumble.fit_tumble_loss(tumbles, "colour", runs=runs, scale_step_g=0.01)
    effect = fit.effects[0]
    return {
        "ratio of losses": (1.5, effect.estimate, effect.conf_low, effect.conf_high),
        "typical loss, %": (2.0, *row(fit)),
    }


def broken_in_days(rng: np.random.Generator, days: int, by_day: bool) -> Result:
    runs, added = in_days(rng, days, by_day, 0.35)
    centre = {"dye": -1.8151, "lake": -0.6538}  # so that 15 and 35 % break over all days and batches
    chance = special.expit(runs["colour"].map(centre) + added)
    table = pd.DataFrame({"pieces": 10.0, "broken": rng.binomial(10, chance).astype(float)}, runs["run"])
    return of_shares(table, runs.assign(broken_pct=10 * table["broken"].to_numpy()))


def dropped_in_days(rng: np.random.Generator, days: int, by_day: bool) -> Result:
    """Up and down; half of the variance of a piece's log height, 0.3 squared, lies in days and batches."""
    runs, added = in_days(rng, days, by_day, 0.15)
    rows = []
    for (run, _, colour), extra in zip(runs.to_numpy(), added, strict=True):
        centre, height = np.log(60) + np.log(1.3) * (colour == "lake") + extra, 60.0
        for piece in range(8):
            broke = bool(np.log(height) > centre + 0.212 * rng.logistic() * np.sqrt(3) / np.pi)
            rows.append((run, piece, height, broke))
            height = height / 1.25 if broke else height * 1.25
    readings = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = fit_drop_height(readings, "colour", runs=runs)
    effect = fit.effects[0]
    return {
        "ratio of heights": (1.3, effect.estimate, effect.conf_low, effect.conf_high),
        "median, cm": (60.0, *row(fit)),
    }


def scored(rng: np.random.Generator, batches: int, pieces: int, tau: float, raters: int) -> pd.DataFrame:
    cuts, leans, rows = np.array([-1.5, 0.0, 1.2, 2.5]), np.linspace(-0.4, 0.4, raters), []
    for run, colour in workshop(batches).to_numpy():
        batch = 1.0 * (colour == "lake") + tau * rng.normal()
        for piece in range(pieces):
            quality = batch + 0.7 * rng.logistic()
            for rater in range(raters):
                hidden = quality + leans[rater] + 0.4 * rng.logistic()
                rows.append((run, piece, f"rater {rater}", int((hidden > cuts).sum())))
    return pd.DataFrame(rows, columns=["run", "piece", "rater", "score"])


@cache
def truths(pieces: int, tau: float, raters: int) -> tuple[float, float, float]:
    """What 4,000 batches say of the difference, alpha and the first rater's lean."""
    large = scored(np.random.default_rng(0), 4000, pieces, tau, raters)
    means = crumble.score_numbers(large).groupby(workshop(4000).set_index("run")["colour"]).mean()
    wide = large.pivot(index=["run", "piece"], columns="rater", values="score").astype(float)
    lean = wide["rater 0"] - wide.drop(columns="rater 0").mean(axis=1)
    return float(means["lake"] - means["dye"]), krippendorff_alpha(wide.to_numpy()), float(lean.mean())


def scores(rng: np.random.Generator, pieces: int, tau: float, raters: int) -> Result:
    difference, alpha, lean = truths(pieces, tau, raters)
    readings, batches = scored(rng, 12, pieces, tau, raters), workshop(12)
    batches["score"] = batches["run"].map(crumble.score_numbers(readings))
    effect = fit_response(batches, "score", "colour").effects[0]
    found = rater_agreement(readings)
    first = found.table.set_index("rater").loc["rater 0"]
    return {
        "difference, points": (difference, effect.estimate, effect.conf_low, effect.conf_high),
        "alpha": (alpha, found.alpha, found.conf_low, found.conf_high),
        "a rater's lean": (lean, first["difference"], first["conf_low"], first["conf_high"]),
    }


def settings(part: str) -> Iterator[tuple[str, Callable[[np.random.Generator], Result]]]:
    if part == "tumble":
        for batches, step in ((12, 0.01), (12, 1.0), (6, 0.1)):
            yield f"{batches} batches, scale {step:g} g", lambda r, b=batches, s=step: tumble(r, b, s)
    if part == "broken":
        for tau in (0.0, 0.1, 0.25):
            yield f"correlation in batches {tau:g}", lambda r, t=tau: broken(r, 12, t)
    if part == "drops":
        for up, penalised in ((False, True), (True, True), (True, False)):
            for pieces, share in ((8, 0.0), (8, 0.3), (4, 0.3)):
                way = f"{'up and down' if up else 'fixed'}, {'penalised' if penalised else 'plain'}"
                yield (
                    f"{way}, {pieces} pieces, batch share {share:g}",
                    lambda r, p=pieces, s=share, u=up, m=penalised: drops(r, p, s, u, m),
                )
    if part in ("days", "drops in days"):
        works = (dropped_in_days,) if part == "drops in days" else (tumbled_in_days, broken_in_days)
        for days, by_day in ((4, False), (6, False), (4, True), (6, True)):
            for work in works:
                name = f"{days} days, colour {'by the day' if by_day else 'within days'}"
                yield name, lambda r, w=work, d=days, b=by_day: w(r, d, b)
    if part == "scores":
        for pieces, tau, raters in ((4, 0.0, 2), (4, 0.7, 2), (3, 0.7, 3)):
            name = f"{pieces} pieces, {raters} raters, batch sd {tau:g}"
            yield name, lambda r, p=pieces, t=tau, k=raters: scores(r, p, t, k)


def main(workshops: int, parts: list[str]) -> None:
    print("| what | setting | truth | median estimate | held | open at an end |\n|---|---|---|---|---|---|")
    for part in parts:
        for name, simulate in settings(part):
            rng = np.random.default_rng(20)
            rows: list[Result] = []
            for _ in range(workshops):
                try:
                    rows.append(simulate(rng))
                except CannotAnswer:
                    continue
            for key in rows[0]:
                table = np.array([each[key] for each in rows])
                told = ~np.isnan(table[:, 2])
                held = ((table[:, 2] <= table[:, 0]) & (table[:, 0] <= table[:, 3]))[told].mean()
                lost = (~np.isfinite(table[told, 2:]) | (table[told, 2:] == 0)).any(axis=1).mean()
                cells = [
                    key,
                    name,
                    f"{table[0, 0]:.3g}",
                    f"{np.median(table[:, 1]):.3g}",
                    f"{held:.2f}",
                    f"{lost:.2f}",
                ]
                print(f"| {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    everything = ["tumble", "broken", "drops", "scores", "days", "drops in days"]
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, sys.argv[2:] or everything)
