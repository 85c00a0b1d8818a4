"""Does a report keep what it promises? Invented trials by a process of another shape than the models.

    python tests/calibration.py TRIALS NULLS [KEPT.csv [SECONDS]]       # writes docs/calibration.md

TRIALS of each kind are judged by all that they claim; of those without an effect NULLS of each kind, by the
comparisons alone. What each claimed is kept in KEPT.csv, so that a run which stops after SECONDS goes on from
there; the seeds are those of the trials' numbers, so that pieces say the same as one run. Each trial is
written as a folder, read and analysed as the command does it. A claim is judged by what it is about: a
batch's fizz time is the mean of its three pieces, and where a fit has left the room's air out, its new days
have the air of any day. "rough" trials have gamma batches, log-logistic pieces,
heavy-tailed days, a touch that gets 25 % stricter from the first batch to the last, a lost batch and missed
looks; "plain" ones are normal in the logarithms.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.models.choose import Choice, Limit, choose
from fizzlab.models.result import FitResult
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.parts.choose import choosing
from fizzlab.trial.folder import load

PAGE = Path(__file__).parents[1] / "docs" / "calibration.md"
LOOKS = np.array([2.0, 4, 6, 8, 10, 12, 24, 27, 30, 34, 48, 54, 72, 96])
BATCHES, PIECES, FIZZED = 12, 4, 3
MARGIN = 1.25
TYPICAL_H, TYPICAL_S = 9.0, 150.0
LIMITS = ((13.0, 130.0), (11.0, 145.0), (16.0, 115.0))  # at most hours, at least seconds; the maker's first
PROCESSES = 2
READY = 0.9  # the share of a batch's pieces that a limit on dry times is about
TEMP_C, RH_PCT = 16.0, 67.0  # the air of a forecast

TOML = f"""\
code = "quay"
title = "Invented trial"
question = "Does dye dry slower than pearl?"

[factors.colour]
levels = ["pearl", "dye"]
control = "pearl"

[drying]
shares = [0.5, {READY}]
forecast_air = {{ temp_c = {TEMP_C}, rh_pct = {RH_PCT} }}

[responses.dry_h]
same_within = {MARGIN}
at_most = {LIMITS[0][0]}

[responses.fizz_s]
same_within = {MARGIN}
at_least = {LIMITS[0][1]}
"""


@dataclass(frozen=True)
class Case:
    """How trials of one kind come about; spreads are standard deviations of log hours or log seconds."""

    process: str = "rough"
    days: int = 4
    by_day: bool = False
    ratio: float = 1.0
    day_sd: float = 0.15
    batch_sd: float = 0.15
    piece_sd: float = 0.12

    @property
    def told(self) -> str:
        where = "set by the day" if self.by_day else "within days"
        return f"{self.process}, {self.days} days, {where}"


def kpa(temp_c: Any, rh_pct: Any) -> Any:
    """Vapour-pressure deficit, kPa."""
    return 0.6108 * np.exp(17.27 * temp_c / (temp_c + 237.3)) * (1 - rh_pct / 100)


AIR = kpa(TEMP_C, RH_PCT)


def standard(rng: np.random.Generator, process: str, part: str, size: int | tuple[int, ...]) -> np.ndarray:
    """Draws of mean 0 and standard deviation 1 of the shape that a part of the process has."""
    if process == "plain":
        return rng.standard_normal(size)
    if part == "batch":  # logarithm of a gamma of shape 4: trigamma(4) = 0.2838, digamma(4) = 1.2561
        return (np.log(rng.gamma(4.0, size=size)) - 1.25612) / np.sqrt(0.283823)
    if part == "piece":
        return rng.logistic(size=size) * np.sqrt(3) / np.pi
    return rng.standard_t(4, size) / np.sqrt(2.0)


def batches(
    rng: np.random.Generator, case: Case, colour: np.ndarray, day: np.ndarray, air: np.ndarray
) -> dict[str, np.ndarray]:
    """True typical hours and seconds of batches, without what their pieces add."""
    effect = np.log(case.ratio) * (colour == "dye")
    found = {}
    for name, typical, slope in (("dry_h", TYPICAL_H, -0.8), ("fizz_s", TYPICAL_S, 0.0)):
        days = case.day_sd * standard(rng, case.process, "day", int(day.max()) + 1)
        each = case.batch_sd * standard(rng, case.process, "batch", len(day))
        found[name] = np.exp(np.log(typical) + effect + slope * np.log(air / AIR)[day] + days[day] + each)
    return found


def pieces(rng: np.random.Generator, case: Case, centres: np.ndarray) -> np.ndarray:
    return centres[:, None] * np.exp(
        case.piece_sd * standard(rng, case.process, "piece", (len(centres), PIECES))
    )


def weather(rng: np.random.Generator, days: int) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and relative humidity of days in the workshop."""
    return rng.normal(16, 1.5, days), np.clip(rng.normal(68, 8, days), 40, 88)


def write_trial(folder: Path, rng: np.random.Generator, case: Case) -> None:
    """One trial of 12 batches, as a maker would have it in a folder."""
    each = BATCHES // case.days
    day = np.repeat(np.arange(case.days), each)
    if case.by_day:
        colour = rng.permutation(np.array(["pearl", "dye"])[np.arange(case.days) % 2])[day]
    else:
        halves = [np.array(["pearl", "dye"])[(np.arange(each) + shift) % 2] for shift in range(case.days)]
        colour = np.concatenate([rng.permutation(half) for half in halves])
    temp, rh = weather(rng, case.days)
    centres = batches(rng, case, colour, day, kpa(temp, rh))
    hours, seconds = pieces(rng, case, centres["dry_h"]), pieces(rng, case, centres["fizz_s"])
    start = pd.Timestamp("2026-03-02T08:00") + pd.to_timedelta(day * 7, "D")
    made = start + pd.to_timedelta(np.tile(np.arange(each), case.days), "h")
    kept = np.ones(BATCHES, bool)
    if case.process == "rough":
        hours = hours * np.linspace(1.0, 1.25, BATCHES)[:, None]
        kept[rng.integers(BATCHES)] = False
    names = np.array([f"R{i + 1:02d}" for i in range(BATCHES)])
    runs = pd.DataFrame(
        {"run": names, "day": day + 1, "made_at": made.strftime("%Y-%m-%dT%H:%M"), "colour": colour}
    )
    looks, fizz = [], []
    for i in np.flatnonzero(kept):
        seen = LOOKS if case.process == "plain" else LOOKS[rng.random(len(LOOKS)) > 0.15]
        for k in range(PIECES):
            for look in seen:
                dry = bool(look >= hours[i, k])
                looks.append((names[i], k + 1, look, "yes" if dry else "no"))
                if dry:
                    break
            if k < FIZZED:
                fizz.append((names[i], k + 1, 38.0, round(float(seconds[i, k]), 1), "yes"))
    days = [pd.date_range(moment, periods=5 * 48, freq="30min") for moment in start.unique()]
    log = [
        pd.DataFrame(
            {"time": when.strftime("%Y-%m-%dT%H:%M"), "temp_c": round(temp[d], 1), "rh_pct": round(rh[d])}
        )
        for d, when in enumerate(days)
    ]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    runs[kept].to_csv(folder / "runs.csv", index=False)
    pd.DataFrame(looks, columns=["run", "piece", "hours", "dry"]).to_csv(
        folder / "touch_checks.csv", index=False
    )
    pd.DataFrame(fizz, columns=["run", "piece", "water_c", "seconds", "done"]).to_csv(
        folder / "fizz_times.csv", index=False
    )
    pd.concat(log).to_csv(folder / "room_log.csv", index=False)


Claim = dict[str, Any]


def judged(case: Case, number: int, effects: bool = False) -> list[Claim]:
    """What the report of one trial claims: how likely it says each is (`told`), and whether it `held`.

    With `effects` only what it claims of them.
    """
    rng = np.random.default_rng([2026, number, *os.fsencode(repr(case))])
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "quay"
        write_trial(folder, rng, case)
        done = analyse(load(folder))
    about = {"case": case.told, "ratio": case.ratio, "trial": number}
    claims = [*_effects(case, done), *(() if effects else _forecasts(rng, case, done))]
    return [{**about, **claim, "held": float(claim["held"])} for claim in claims]


def _effects(case: Case, done: Analysis) -> Iterator[Claim]:
    for name in ("dry_h", "fizz_s"):
        fit = done.fits.get(name)
        if fit is None or not fit.effects:
            yield {"response": name, "claim": "refused", "told": np.nan, "held": True}
            continue
        (effect,) = fit.effects
        yield {"response": name, "claim": "shown", "told": np.nan, "held": bool(effect.shown)}
        yield {"response": name, "claim": "same", "told": np.nan, "held": bool(effect.same)}
        held = effect.conf_low <= case.ratio <= effect.conf_high
        yield {"response": name, "claim": "interval", "told": 0.95, "held": held}


def _forecasts(rng: np.random.Generator, case: Case, done: Analysis) -> Iterator[Claim]:
    for name in ("dry_h", "fizz_s"):
        fit = done.fits.get(name)
        if fit is not None and fit.effects:
            yield from _batches(rng, case, fit, name)
    chosen = choosing(done)
    if chosen is not None and len(chosen.choice.responses) == 2:
        yield from _chances(rng, case, chosen.choice)
        yield from _confirmed(rng, case, chosen.choice)


def _chances(rng: np.random.Generator, case: Case, first: Choice) -> Iterator[Claim]:
    """The chance that a new batch of each colour keeps both limits, by the maker's and by other limits."""
    for place, (hours, seconds) in enumerate(LIMITS):
        limits = [Limit("dry_h", at_most=hours), Limit("fizz_s", at_least=seconds)]
        made = first.table[["colour"]].sort_values("colour")
        judged = first if place == 0 else choose(first.fits, made, limits=limits, share=READY, draws=2000)
        for rank, (_, row) in enumerate(judged.table.iterrows()):
            true = kept(rng, case, str(row["colour"]), hours, seconds, knows_air(first.fits["dry_h"]))
            told = {"response": "both", "told": row["meets"], "held": true}
            yield {**told, "claim": "keeps limits"}
            if rank == 0:
                yield {**told, "claim": "chosen keeps limits"}
            ends = bool(row["meets_low"] <= true <= row["meets_high"])
            yield {"response": "both", "claim": "interval of that chance", "told": 0.95, "held": ends}
            worst = bool(row["meets_low"] <= true)
            yield {"response": "both", "claim": "at worst", "told": 0.975, "held": worst}


def _confirmed(rng: np.random.Generator, case: Case, choice: Choice) -> Iterator[Claim]:
    """The means of three new batches of the chosen colour on days of their own, by the bounds told before."""
    bounds, colour = choice.confirm(3), str(choice.best["colour"])
    new = _new(rng, case, colour, 3, knows_air(choice.fits["dry_h"]))
    new["dry_h"] = np.exp(np.log(pieces(rng, case, new["dry_h"])).mean(axis=1))
    means = {name: np.exp(np.log(new[name]).mean()) for name in bounds.index}
    held = all(row["conf_low"] <= means[name] <= row["conf_high"] for name, row in bounds.iterrows())
    yield {"response": "both", "claim": "confirmed", "told": 0.95, "held": held}


def knows_air(fit: FitResult) -> bool:
    """Is a forecast for the stated air? Left out of the fit, it is for the air of any day like these."""
    return bool(getattr(fit, "air", ()))


def _new(
    rng: np.random.Generator, case: Case, colour: str, count: int, in_air: bool
) -> dict[str, np.ndarray]:
    """New batches, each on a day of its own: typical hours, and seconds as the mean of three pieces."""
    air = np.full(count, AIR) if in_air else kpa(*weather(rng, count))
    found = batches(rng, case, np.full(count, colour), np.arange(count), air)
    found["fizz_s"] = np.exp(np.log(pieces(rng, case, found["fizz_s"]))[:, :FIZZED].mean(axis=1))
    if case.process == "rough":
        found["dry_h"] *= 1.125  # the touch of the middle of the trial
    return found


def _batches(rng: np.random.Generator, case: Case, fit: FitResult, name: str) -> Iterator[Claim]:
    """The typical batch of dye and a new one, by the intervals that the report gives for them."""
    air = {term.name: AIR for term in getattr(fit, "air", ())}
    for interval, claim in (("confidence", "typical batch"), ("prediction", "new batch")):
        told = fit.predict({"colour": "dye", **air}, interval=interval).iloc[0]
        true = _new(rng, case, "dye", 20_000 if claim == "typical batch" else 1, knows_air(fit))[name]
        middle = float(np.exp(np.log(true).mean()))
        held = bool(told["conf_low"] <= middle <= told["conf_high"])
        yield {"response": name, "claim": claim, "told": 0.95, "held": held}


def kept(
    rng: np.random.Generator, case: Case, colour: str, hours: float, seconds: float, in_air: bool
) -> float:
    """The share of new batches that keep both limits."""
    new = _new(rng, case, colour, 20_000, in_air)
    late = case.piece_sd * np.quantile(standard(rng, case.process, "piece", 100_000), READY)
    return float(np.mean((new["dry_h"] * np.exp(late) <= hours) & (new["fizz_s"] >= seconds)))


def many(jobs: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    """One row a claim of each trial."""
    alone = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with ProcessPoolExecutor(PROCESSES, initializer=os.environ.update, initargs=(alone,)) as pool:
        found = pool.map(judged, *zip(*jobs, strict=True), chunksize=4)
        return pd.DataFrame([claim for claims in found for claim in claims])


def rates(claims: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """What was told and the share that held, how many trials said so, and the error of their difference.

    The claims of a trial rest on the same batches: the Monte Carlo standard error is that of means of trials,
    and not below that of a rate of 95 %.
    """
    numbers = claims.assign(off=claims["held"] - claims["told"].fillna(0.0))
    trial = dict.fromkeys([*by, "case", "ratio", "trial"])
    own = numbers.groupby(list(trial), sort=False)[["told", "held", "off"]].mean()
    grouped = own.groupby(list(by), sort=False)
    table = grouped[["told", "held"]].mean().assign(trials=grouped.size())
    spread = np.maximum(grouped["off"].std().fillna(0.0), np.sqrt(0.05 * 0.95))
    return table.assign(error=spread / np.sqrt(table["trials"]))


def every_case() -> list[Case]:
    """Both processes, 4 and 6 days, within and between days, with no effect and with one at the margin."""
    return [
        Case(process, days, by_day, ratio)
        for process in ("plain", "rough")
        for days in (4, 6)
        for by_day in (False, True)
        for ratio in (1.0, MARGIN)
    ]


def null_cases() -> list[Case]:
    """Those without an effect."""
    return [case for case in every_case() if case.ratio == 1.0]


KEYS = ("case", "ratio", "trial")
#: What a trial claims of its comparisons.
ALONE = ("shown", "same", "interval", "refused")

WHAT = {
    "false alarm": "shown, though there is no effect",
    "false same": "“the same”, though the truth is at the margin",
    "interval": "95 % interval of the effect holds it",
    "typical batch": "95 % interval of the typical batch holds it",
    "new batch": "95 % interval of a new batch holds one",
    "keeps limits": "chance that a new batch keeps both limits",
    "interval of that chance": "95 % interval of that chance holds it",
    "at worst": "that chance is as good as “at worst” says, or better",
    "chosen keeps limits": "chance that a new batch of the chosen colour keeps both limits",
    "confirmed": "means of three new batches of the best lie within the bounds told before",
}


def page(claims: pd.DataFrame, trials: int, nulls: int) -> str:
    """docs/calibration.md."""
    more = (claims["trial"] < nulls) & (claims["ratio"] == 1) & claims["claim"].isin(ALONE)
    claims = claims[(claims["trial"] < trials) | more]
    named = claims["claim"].copy()
    named[(named == "shown") & (claims["ratio"] == 1)] = "false alarm"
    named[(named == "same") & (claims["ratio"] == MARGIN)] = "false same"
    table = rates(claims.assign(claim=named), ["claim", "response", "case"])
    refused = int((named == "refused").sum())
    told = {"trials": trials, "batches": BATCHES, "pieces": PIECES, "margin": MARGIN, "refused": refused}
    count = trials * len(every_case()) + (nulls - trials) * len(null_cases())
    lines = [HEAD.format(**told, nulls=nulls, more=nulls - trials, all=count)]
    promised = {"false alarm": "at most 5", "false same": "at most 5"}
    lines += ["\n## All of them together\n", *_columns("claim", "response")]
    together = rates(claims.assign(claim=named), ["claim", "response"])
    by_days = claims.assign(days=claims["case"].str.extract(r"(\d days)")[0])[named == "false alarm"]
    for (days, name), row in rates(by_days, ["days", "response"]).iterrows():
        lines.append(_row("at most 5", row, f"{WHAT['false alarm']}, {days}", name))
    there = {claim: what for claim, what in WHAT.items() if (named == claim).any()}
    for claim, what in there.items():
        lines += [_row(promised.get(claim), row, what, name) for name, row in together.loc[claim].iterrows()]
    for claim, what in there.items():
        lines += [f"\n## {what[0].upper()}{what[1:]}\n", *_columns("response", "process")]
        for (response, case), row in table.loc[claim].iterrows():
            lines.append(_row(promised.get(claim), row, response, case))
    chances = claims[claims["claim"] == "keeps limits"]
    days = chances["case"].str.split(", ", n=1).str[1]
    lines += ["\n## The same chances, by what was told\n", *_columns("told", "days")]
    for low, high, near in ((0.0, 0.3, "under 30 %"), (0.3, 0.7, "30 to 70 %"), (0.7, 1.01, "over 70 %")):
        some = chances.assign(days=days)[(chances["told"] >= low) & (chances["told"] < high)]
        lines += [_row(None, row, near, str(case)) for case, row in rates(some, ["days"]).iterrows()]
    return "\n".join(lines) + "\n"


def _columns(*first: str) -> list[str]:
    names = [*first, "promised, %", "held, %", "±", "trials"]
    return [f"| {' | '.join(names)} |", "|---|---|---:|---:|---:|---:|"]


def _row(promised: str | None, row: pd.Series, *first: str) -> str:
    told = f"{100 * row['told']:.3g}" if promised is None else promised
    cells = [*first, told, f"{100 * row['held']:.1f}", f"{100 * row['error']:.1f}", f"{row['trials']:.0f}"]
    return f"| {' | '.join(cells)} |"


HEAD = """\
# Does a report keep what it promises?

Made by `python tests/calibration.py {trials} {nulls}` from {trials} invented trials of each kind, judged by
all that they claim, and {more} more of each kind without an effect, judged by their comparisons alone:
{batches} batches of {pieces} pieces, read from a folder and analysed as the command does it. The “rough”
process is of another shape than the models: batches spread as the logarithm of a gamma, pieces as a
logistic, days as Student's t with 4 degrees of freedom; the touch gets 25 % stricter from the first batch to
the last, one batch is lost and 15 % of the looks are missed. “Plain” trials are normal in the logarithms and
lose nothing. A factor “within days” has both levels on each day; one “set by the day” has one. Half of the
first have no effect, half a ratio of {margin}, the margin within which levels count as the same. ± is the
Monte Carlo standard error of what held beside what was promised. A claim is judged by what it is about: a
batch's fizz time is the mean of three pieces, as it was measured, and where a fit has left the room's air out
(four days, with a factor set by the day), its new days have the air of any day. Of the {all} trials
{refused} gave no dry times, and said why."""


def _trials(claims: pd.DataFrame) -> set[tuple[Any, ...]]:
    return set(zip(*(claims[key] for key in KEYS), strict=True))


def main(trials: int, nulls: int, keep: Path | None = None, seconds: float = np.inf) -> None:
    """Do what is not kept yet, and write the page when nothing is left to do."""
    start = time.monotonic()
    found = pd.read_csv(keep) if keep is not None and keep.exists() else pd.DataFrame()
    done = [_trials(found[~found["claim"].isin(ALONE)]), _trials(found)] if len(found) else [set(), set()]
    jobs = [(case, number, False) for number in range(trials) for case in every_case()]
    jobs += [(case, number, True) for number in range(trials, nulls) for case in null_cases()]
    jobs = [job for job in jobs if (job[0].told, job[0].ratio, job[1]) not in done[job[2]]]
    while jobs and time.monotonic() - start < seconds:
        now, jobs = jobs[:32], jobs[32:]
        told = many(now)  # of a trial judged in full, what was kept of its comparisons is told again
        kept_of = zip(*(found[key] for key in KEYS if len(found)), strict=True)
        redone = _trials(told)
        again = [each in redone for each in kept_of]
        found = pd.concat([found[~np.array(again, bool)], told], ignore_index=True)
        if keep is not None:
            found.to_csv(keep, index=False)
    used = sum(os.times()[:4])
    print(f"{time.monotonic() - start:.0f} s ({used:.0f} s of processor time), {len(jobs)} trials left")
    if not jobs:
        PAGE.write_text(page(found, trials, nulls), encoding="utf-8")


if __name__ == "__main__":
    given = sys.argv[1:]
    kept_in, least = Path(given[2]) if given[2:] else None, float(given[3]) if given[3:] else np.inf
    main(int(given[0]), int(given[1]), kept_in, least)
