"""Coverage and false alarms by simulation, with a known truth.

Every share is from `FITS` or more seeded fits, so that its standard error is below 0.0035; the bounds are
those that the kit promises: intervals 93 to 97 %, false alarms 3 to 7 %. Where a share must be 0.05 or 0.95
exactly, 0.0105 is three standard errors.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fizzlab.bench.planning import plan_trial
from fizzlab.errors import CannotAnswer
from fizzlab.models.basis import factor_basis
from fizzlab.models.comparisons import critical
from fizzlab.models.strata import contrast, f_test, fit_many, prepare
from fizzlab.models.terms import Category
from fizzlab.trial import folder as trial
from fizzlab.trial import shipped

pytestmark = pytest.mark.slow

FITS = 4000
ROOM = Category("room", ("plain", "dry"), "plain")
COLOUR = Category("colour", ("dye", "mica", "lake"), "dye")
EVERY = pd.MultiIndex.from_product([ROOM.levels, COLOUR.levels], names=["room", "colour"])


def split_plot(per_cell: int = 2, days: int = 4) -> pd.DataFrame:
    """`days` days, one setting of the room each, every colour `per_cell` times a day."""
    rows = [
        {"day": day, "room": ("plain", "dry")[day % 2], "colour": colour}
        for day in range(days)
        for colour in COLOUR.levels
        for _ in range(per_cell)
    ]
    table = pd.DataFrame(rows)
    table["run"] = [f"R{i:02d}" for i in range(len(table))]
    return table


def simulate(
    lost: int, between: float, seed: int, plan: pd.DataFrame | None = None, patterns: int = 16
) -> dict[str, float]:
    """Coverage of the room's and a colour's interval and false alarms of both terms and their joint one."""
    rng = np.random.default_rng(seed)
    plan = split_plot() if plan is None else plan
    hits: dict[str, list[float]] = {name: [] for name in ("room", "lake", "f room", "f colour", "f joint")}
    settled: list[float] = []
    while len(hits["room"]) < patterns:
        kept = plan.drop(index=rng.permutation(len(plan))[:lost])
        if (kept.groupby(["room", "colour"]).size().reindex(EVERY, fill_value=0) == 0).any():
            continue  # a combination was lost altogether, so the joint effect cannot be asked for
        basis = factor_basis(kept, [ROOM, COLOUR], "interactions")
        try:
            layout = prepare(basis.matrix(kept), kept["day"])
        except CannotAnswer:  # nothing is left to judge by; `analyse` refuses such a trial
            continue
        day = kept["day"].to_numpy()
        size = FITS // patterns
        y = rng.normal(size=(size, len(kept))) + between * rng.normal(size=(size, day.max() + 1))[:, day]
        fits = fit_many(layout, y)
        settled.append(float(fits.converged.mean()))
        truth = {level: weights for _, level, _, weights in basis.steps()}
        for name, level in (("room", "dry"), ("lake", "lake")):
            estimate, se, df = contrast(fits, truth[level])
            hits[name].append(float((np.abs(estimate) < stats.t.ppf(0.975, df) * se).mean()))
        for name, (_, rows) in zip(("f room", "f colour", "f joint"), basis.hypotheses(), strict=True):
            hits[name].append(float((f_test(fits, rows)[3] < 0.05).mean()))
    # where one degree of freedom judges batches, the search may not settle; that counts as a miss here
    assert np.mean(settled) > (0.995 if len(plan) - lost < 12 else 0.9999)
    return {name: float(np.mean(shares)) for name, shares in hits.items()}


@pytest.mark.parametrize("lost", [0, 2, 5])
@pytest.mark.parametrize("between", [0.0, 0.5, 1.5])
def test_split_plots_of_four_days(lost: int, between: float) -> None:
    found = simulate(lost, between, seed=int(100 * between) + lost)
    for name in ("room", "lake"):
        assert 0.93 <= found[name] <= 0.97, (name, found)
    for name in ("f room", "f colour", "f joint"):
        assert 0.03 <= found[name] <= 0.07, (name, found)


@pytest.mark.parametrize(("days", "lost"), [(4, 1), (4, 3), (6, 0), (6, 1), (6, 3)])
@pytest.mark.parametrize("between", [0.0, 1.0])
def test_split_plots_of_one_batch_a_colour_and_day(days: int, lost: int, between: float) -> None:
    """As a binder that is mixed for a whole day; with 3 of 12 batches lost, 3 degrees of freedom are left."""
    plan = split_plot(per_cell=1, days=days)
    found = simulate(lost, between, seed=int(100 * between) + 10 * days + lost, plan=plan, patterns=40)
    for name in ("room", "lake"):
        assert 0.93 <= found[name] <= 0.97, (name, found)
    for name in ("f room", "f colour", "f joint"):
        assert 0.03 <= found[name] <= 0.07, (name, found)


@pytest.mark.parametrize("between", [0.0, 1.0])
def test_three_settings_of_a_room_with_lost_batches(between: float) -> None:
    rng = np.random.default_rng(12)
    day = np.repeat(np.arange(6), 3)
    x = np.column_stack([(day % 3 == i) * 1.0 for i in range(3)])
    x = np.column_stack([x, np.tile((1.0, 0.0, -1.0), 6)])
    rows = np.array([[1.0, -1.0, 0.0, 0.0], [1.0, 0.0, -1.0, 0.0]])
    alarms = []
    for _ in range(20):
        kept = np.sort(rng.permutation(18)[:14])
        if len(np.unique(day[kept])) < 6:
            continue
        y = rng.normal(size=(400, 14)) + between * rng.normal(size=(400, 6))[:, day[kept]]
        alarms.append((f_test(fit_many(prepare(x[kept], day[kept]), y), rows)[3] < 0.05).mean())
    assert len(alarms) > 10
    assert 0.03 <= np.mean(alarms) <= 0.07


def test_the_demo_split_plot_many_times() -> None:
    """Trials as the demo `cores` with its true values: log tumble loss, a batch of eighteen lost."""
    told = json.loads((shipped.DEMO / "truth.json").read_text(encoding="utf-8"))["cores"]["tumbles"]
    plan = plan_trial(trial.load(shipped.demo("cores")).settings).runs
    terms = trial.load(shipped.demo("cores")).settings.terms()
    ratios = told["ratios"]
    true = np.array(
        [
            np.log(ratios["binder"][binder] * ratios["colour"][colour])
            + np.log(ratios["joint"].get(f"{binder} with {colour}", 1.0))
            for binder, colour in zip(plan["binder"], plan["colour"], strict=True)
        ]
    )
    rng = np.random.default_rng(13)
    covered: dict[str, list[float]] = {}
    for lost in range(len(plan)):
        kept = plan.drop(index=lost)
        basis = factor_basis(kept, terms, "interactions")
        x, day = basis.matrix(kept), pd.factorize(kept["day"])[0]
        size = (FITS // len(plan), len(kept))
        spread = float(np.hypot(told["batch_sd"], told["tumble_sd"] / np.sqrt(2)))
        y = np.delete(true, lost) + spread * rng.normal(size=size)
        y += told["day_sd"] * rng.normal(size=(size[0], 6))[:, day]
        fits = fit_many(prepare(x, day), y)
        beta = np.linalg.lstsq(x, np.delete(true, lost), rcond=None)[0]
        steps = {level: weights for _, level, _, weights in basis.steps()}
        joint = [f"column {place}" for place, name in enumerate(basis.columns) if ":" in name]
        steps |= {name: np.eye(x.shape[1])[int(name.split()[1])] for name in joint}
        for label, weights in steps.items():
            estimate, se, df = contrast(fits, weights)
            hit = np.abs(estimate - weights @ beta) < stats.t.ppf(0.975, df) * se
            covered.setdefault(label, []).append(float(hit.mean()))
    assert len(covered) == 5
    for label, shares in covered.items():
        assert 0.93 <= np.mean(shares) <= 0.97, (label, np.mean(shares))


def test_days_alone_judge_a_room_where_they_were_more_alike_than_chance() -> None:
    """With a negative component: mean square of days times the largest multiple that its variance can be."""
    rng = np.random.default_rng(14)
    kept = split_plot(per_cell=1).drop(index=[1, 5, 9]).reset_index(drop=True)
    x = factor_basis(kept, [ROOM, COLOUR], "interactions").matrix(kept)
    days = pd.get_dummies(kept["day"]).to_numpy(float)
    y = rng.normal(size=(300, len(kept)))
    fits = fit_many(prepare(x, kept["day"].to_numpy()), y)
    below = fits.components[:, 0] < 0
    assert 50 < below.sum() < 250

    def onto(columns: np.ndarray) -> np.ndarray:
        return columns @ np.linalg.pinv(columns)

    between = onto(np.column_stack([x, days])) - onto(x)
    df = np.linalg.matrix_rank(between)
    square = np.einsum("fr,rs,fs->f", y, between, y) / df
    room = np.linalg.pinv(x)[1]
    multiples = ((room @ days) @ (room @ days) / (np.trace(days.T @ between @ days) / df), room @ room)
    _, se, found_df = contrast(fits, np.eye(x.shape[1])[1])
    assert found_df[below] == pytest.approx(df)
    assert se[below] ** 2 == pytest.approx(max(multiples) * square[below])
    assert min(multiples) > 0.5 * max(multiples)


@pytest.mark.parametrize("lost", [(0, 1, 2), (0, 1, 3), (0, 1, 6), (0, 3, 6), (0, 4, 8), (0, 1, 3, 5)])
@pytest.mark.parametrize("between", [0.0, 0.5, 2.0])
def test_a_room_with_the_same_batches_lost_each_time(lost: tuple[int, ...], between: float) -> None:
    """Patterns, not their average: of (0, 1, 3, 5) the interval of the room once held 80 % of the time."""
    rng = np.random.default_rng(20 + len(lost))
    kept = split_plot(per_cell=1).drop(index=list(lost))
    basis = factor_basis(kept, [ROOM, COLOUR], "main")
    day = kept["day"].to_numpy()
    y = rng.normal(size=(FITS, len(kept))) + between * rng.normal(size=(FITS, 4))[:, day]
    fits = fit_many(prepare(basis.matrix(kept), day), y)
    for term, _, _, weights in basis.steps():
        estimate, se, df = contrast(fits, weights)
        held = float((np.abs(estimate) < stats.t.ppf(0.975, df) * se).mean())
        # one degree of freedom by days, or the bound, may give away a little
        assert 0.93 <= held <= (0.98 if term == ROOM else 0.97), (term.name, held)


def test_a_small_change_of_a_reading_moves_the_interval_little() -> None:
    """Where the variance of days passes through zero, the room's interval once became three times as wide."""
    rng = np.random.default_rng(21)
    for lost in ((0,), (0, 1, 3), (0, 4, 8), (0, 1, 2)):
        kept = split_plot(per_cell=1).drop(index=list(lost))
        basis = factor_basis(kept, [ROOM, COLOUR], "main")
        day = kept["day"].to_numpy()
        layout = prepare(basis.matrix(kept), day)
        room = next(weights for term, _, _, weights in basis.steps() if term == ROOM)
        crossings = 0
        for _ in range(10):
            y = np.repeat((rng.normal(size=len(kept)) + 0.5 * rng.normal(size=4)[day])[None], 1001, axis=0)
            y[:, rng.integers(len(kept))] += np.linspace(-4, 4, 1001)
            fits = fit_many(layout, y)
            _, se, df = contrast(fits, room)
            reach = se * stats.t.ppf(0.975, df)
            below = fits.components[:, 0] < 0
            at = np.flatnonzero(below[1:] != below[:-1])
            crossings += len(at)
            assert (np.abs(np.log(reach[at + 1] / reach[at])) < 0.1).all(), (lost, reach[at + 1] / reach[at])
        assert crossings > 3


def test_components_and_effects_are_recovered() -> None:
    rng = np.random.default_rng(7)
    plan = split_plot(per_cell=2, days=8)
    basis = factor_basis(plan, [ROOM, COLOUR], "main")
    x = basis.matrix(plan)
    beta = np.array([2.0, 0.5, -0.3, 0.4])
    day = plan["day"].to_numpy()
    y = x @ beta + 0.5 * rng.normal(size=(FITS, len(plan))) + 0.8 * rng.normal(size=(FITS, 8))[:, day]
    fits = fit_many(prepare(x, day), y)
    assert fits.beta.mean(axis=0) == pytest.approx(beta, abs=0.02)
    # REML is the analysis of variance here, hence without bias
    assert fits.components.mean(axis=0) == pytest.approx([0.64, 0.25], abs=0.02)


def test_all_comparisons_with_a_control_hold_together() -> None:
    """Dunnett with unequal groups: all three intervals hold in 95 % of trials."""
    rng = np.random.default_rng(8)
    groups = np.repeat([0, 1, 2, 3], [6, 2, 3, 4])
    x = (groups[:, None] == np.arange(4)).astype(float)
    fits = fit_many(prepare(x), rng.normal(size=(FITS, 15)))
    rows = np.eye(4)[1:] - np.eye(4)[0]
    covariance = rows @ fits.phi[0] @ rows.T
    size = np.sqrt(np.diag(covariance))
    limit = critical(covariance / np.outer(size, size), 11)
    t = np.stack([contrast(fits, row)[0] / contrast(fits, row)[1] for row in rows])
    assert (np.abs(t).max(axis=0) < limit).mean() == pytest.approx(0.95, abs=0.0105)
