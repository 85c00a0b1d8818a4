"""How often the crumble intervals hold the truth: simulated workshops of a dozen batches.

Run by hand: ``python benchmarks/crumble_coverage.py [trials] [part ...]`` with parts tumble, broken, drops,
scores, agreement. Prints one line a setting: bias of the estimate and the share of 95 % intervals that held
the truth; with 300 trials a share of 0.95 wanders between 0.925 and 0.975 by chance alone.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy import special

from fizzlab.errors import CannotAnswer
from fizzlab.models import crumble
from fizzlab.models.terms import Category

COLOUR = Category("colour", ("dye", "lake"), "dye")
Result = dict[str, tuple[float, float, float, float]]  # truth, estimate, low, high


def workshop(batches: int) -> pd.DataFrame:
    colours = ["dye", "lake"] * (batches // 2)
    return pd.DataFrame({"colour": colours}, index=[f"R{i:02d}" for i in range(batches)])


def tumble(rng: np.random.Generator, batches: int, step: float) -> Result:
    table = workshop(batches)
    rows = []
    for run, colour in table["colour"].items():
        share = np.exp(np.log(0.02) + np.log(1.5) * (colour == "lake") + 0.3 * rng.normal())
        for _ in range(2):
            before = rng.uniform(150, 250)
            after = before * (1 - share * np.exp(0.2 * rng.normal()))
            rows.append((run, step * round(before / step), step * round(after / step)))
    tumbles = pd.DataFrame(rows, columns=["run", "before_g", "after_g"])
    fit = crumble.tumble_effects(tumbles, table, [COLOUR], step_g=step)
    effect, dye = fit.effects[0], fit.levels[1]
    # the mean of two tumbles with spread 0.2 lies 0.25 x 0.2^2 above their median in the logarithm
    typical = 2 * np.exp(0.2**2 / 4)
    return {
        "ratio": (1.5, effect.estimate, effect.low, effect.high),
        "dye %": (typical, dye.loss_pct, dye.low, dye.high),
    }


def broken(rng: np.random.Generator, batches: int, tau: float) -> Result:
    table = workshop(batches)
    truth = {"dye": 0.15, "lake": 0.35}
    rows = []
    for run, colour in table["colour"].items():
        p = truth[colour]
        chance = p if tau == 0 else rng.beta(p * (1 / tau - 1), (1 - p) * (1 / tau - 1))
        rows.append((run, 10, rng.binomial(10, chance)))
    tumbles = pd.DataFrame(rows, columns=["run", "pieces", "broken"])
    shares = crumble.broken_by_level(tumbles, table, "colour")
    found: Result = {}
    for name, share in shares.items():
        found[f"{name} Wilson"] = (truth[name], share.share, share.wilson_low, share.wilson_high)
        found[f"{name} exact"] = (truth[name], share.share, share.exact_low, share.exact_high)
    effect = crumble.broken_effects(tumbles, table, [COLOUR]).effects[0]
    odds = 0.35 / 0.65 / (0.15 / 0.85)
    return found | {"odds ratio": (odds, effect.estimate, effect.low, effect.high)}


def drops(
    rng: np.random.Generator,
    batches: int,
    pieces: int,
    share: float,
    up_and_down: bool,
    method: crumble.Method,
) -> Result:
    table, spread = workshop(batches), 0.3
    between, within = spread * np.sqrt(share), spread * np.sqrt(1 - share)
    rows = []
    for run, colour in table["colour"].items():
        centre = np.log(60) + np.log(1.3) * (colour == "lake") + between * rng.normal()
        height = 60.0
        for piece in range(pieces):
            if not up_and_down:
                height = (30.0, 45.0, 60.0, 90.0)[piece % 4]
            broke = bool(np.log(height) > centre + within * rng.normal())
            rows.append((run, piece, height, broke))
            height = height / 1.25 if broke else height * 1.25
    readings = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke"])
    fit = crumble.drop_heights(readings, table, [COLOUR], method=method)
    effect, dye, tail = fit.effects[0], fit.heights[1], np.exp(special.ndtri(0.1) * spread)
    return {
        "ratio": (1.3, effect.estimate, effect.low, effect.high),
        "median": (60.0, dye.median_cm, dye.median_low, dye.median_high),
        "nine in ten": (60 * tail, dye.survive_cm, dye.survive_low, dye.survive_high),
    }


def _scored(
    rng: np.random.Generator, batches: int, pieces: int, tau: float, own: float, raters: int
) -> pd.DataFrame:
    cuts, leans = np.array([-1.5, 0.0, 1.2, 2.5]), np.linspace(-0.4, 0.4, raters)
    rows = []
    for run, colour in workshop(batches)["colour"].items():
        batch = 1.0 * (colour == "lake") + tau * rng.normal()
        for piece in range(pieces):
            quality = batch + own * rng.logistic()
            for rater in range(raters):
                hidden = quality + leans[rater] + (0.4 if own else 1.0) * rng.logistic()
                rows.append((run, piece, f"rater {rater}", int((hidden > cuts).sum())))
    return pd.DataFrame(rows, columns=["run", "piece", "rater", "score"])


def scores(
    rng: np.random.Generator, batches: int, pieces: int, tau: float, own: float, raters: int
) -> Result:
    # the truth of the marginal model is what a very large workshop would find
    key = (tau, own, raters)
    if key not in _TRUTH:
        large = _scored(np.random.default_rng(0), 4000, 4, tau, own, raters)
        _TRUTH[key] = crumble.score_regression(large, workshop(4000), [COLOUR])
    truth, fit = _TRUTH[key], crumble.score_regression(
        _scored(rng, batches, pieces, tau, own, raters), workshop(batches), [COLOUR]
    )  # fmt: skip
    found: Result = {}
    for i, effect in enumerate(fit.effects[:2]):
        found[effect.name] = (truth.effects[i].estimate, effect.estimate, effect.low, effect.high)
    for i in (5, 9):
        chance = fit.chances[i]
        found[f"P(score {chance.score}, dye)"] = (
            truth.chances[i].chance, chance.chance, chance.low, chance.high
        )  # fmt: skip
    found["mean dye"] = (truth.means[1].mean, fit.means[1].mean, fit.means[1].low, fit.means[1].high)
    found["false alarm"] = (0.0, 0.0, 0.0, float(np.sign(fit.proportionality[0].p - 0.05)))
    return found


_TRUTH: dict[tuple[float, float, int], crumble.ScoreFit] = {}


def agreement(rng: np.random.Generator, batches: int, pieces: int, raters: int) -> Result:
    key = (9.0, float(raters), raters)
    if key not in _ALPHA:
        large = _scored(np.random.default_rng(0), 4000, 4, 0.7, 0.7, raters)
        wide = crumble.rating_table(large).to_numpy()
        two = large[large["rater"].isin(["rater 0", "rater 1"])]
        lean = {bias.rater: bias.difference for bias in crumble.rater_bias(large)}
        _ALPHA[key] = (
            crumble.krippendorff_alpha(wide),
            crumble.agreement_kappa(two).estimate,
            crumble.agreement_fleiss(large).estimate,
            lean["rater 0"],
        )
    alpha, kappa, fleiss, lean0 = _ALPHA[key]
    small = _scored(rng, batches, pieces, 0.7, 0.7, raters)
    two = small[small["rater"].isin(["rater 0", "rater 1"])]
    found: Result = {}
    for name, truth, answer in (
        ("alpha", alpha, crumble.agreement_alpha(small)),
        ("kappa", kappa, crumble.agreement_kappa(two)),
        ("Fleiss", fleiss, crumble.agreement_fleiss(small)),
    ):
        found[name] = (truth, answer.estimate, answer.low, answer.high)
    bias = next(bias for bias in crumble.rater_bias(small) if bias.rater == "rater 0")
    return found | {"lean": (lean0, bias.difference, bias.low, bias.high)}


_ALPHA: dict[tuple[float, float, int], tuple[float, float, float, float]] = {}


def settings(part: str) -> Iterator[tuple[str, object]]:
    if part == "tumble":
        for batches, step in ((12, 0.01), (12, 1.0), (6, 0.1)):
            yield f"{batches} batches, scale step {step:g} g", lambda r, b=batches, s=step: tumble(r, b, s)
    if part == "broken":
        for batches, tau in ((12, 0.0), (12, 0.1), (12, 0.25)):
            yield f"{batches} batches, correlation {tau:g}", lambda r, b=batches, t=tau: broken(r, b, t)
    if part == "drops":
        for up, method in ((False, "jeffreys"), (True, "jeffreys"), (True, "likelihood")):
            for pieces, share in ((8, 0.0), (8, 0.3), (4, 0.3)):
                name = f"{'up and down' if up else 'fixed'}, {method}, {pieces} pieces, batch share {share:g}"
                yield name, lambda r, p=pieces, s=share, u=up, m=method: drops(r, 12, p, s, u, m)
    if part == "scores":
        for pieces, tau, own, raters in (
            (4, 0.0, 0.0, 2),
            (4, 0.7, 0.7, 2),
            (3, 0.7, 0.7, 3),
            (4, 1.2, 0.5, 2),
        ):
            name = f"{pieces} pieces, {raters} raters, batch sd {tau:g}, piece scale {own:g}"
            yield name, lambda r, p=pieces, t=tau, o=own, k=raters: scores(r, 12, p, t, o, k)
    if part == "agreement":
        for batches, pieces, raters in ((12, 2, 2), (12, 4, 3), (6, 4, 2)):
            name = f"{batches} batches, {pieces} pieces, {raters} raters"
            yield name, lambda r, b=batches, p=pieces, k=raters: agreement(r, b, p, k)


def main(trials: int, parts: list[str]) -> None:
    for part in parts:
        for name, simulate in settings(part):
            rng = np.random.default_rng(20)
            rows: list[Result] = []
            refused = 0
            for _ in range(trials):
                try:
                    rows.append(simulate(rng))  # type: ignore[operator]
                except CannotAnswer:
                    refused += 1
            print(f"{part}: {name} ({refused} of {trials} not answered)")
            for key in rows[0]:
                table = np.array([row[key] for row in rows])
                told = ~np.isnan(table[:, 2])
                truth, middle = table[0, 0], np.median(table[:, 1])
                held = ((table[:, 2] <= table[:, 0]) & (table[:, 0] <= table[:, 3]))[told].mean()
                open_ends = (~np.isfinite(table[told, 2:])).any(axis=1).mean()
                line = f"    {key:22s} truth {truth:8.3f}  median {middle:8.3f}"
                print(f"{line}  held {held:.3f}  open {open_ends:.2f}", flush=True)


if __name__ == "__main__":
    everything = ["tumble", "broken", "drops", "scores", "agreement"]
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300, sys.argv[2:] or everything)
