"""False alarms of the report's comparisons, end to end, where the days differ and nothing else does."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fizzlab.models.changes import Changed, compare_all
from fizzlab.models.crumble import study_crumble
from fizzlab.models.fizz.study import study_fizz
from fizzlab.models.responses import batch_responses
from fizzlab.models.terms import Category

NONE = pd.DataFrame()
TESTS = ("run", "piece", "rater", "score", "pieces", "before_g", "after_g", "broken", "height_cm", "broke")
BINDER = Category("binder", ("emulsifier", "gum"), "emulsifier")
TRIALS = 100
SCALES = {"fizz_s": "ratio", "score": "difference", "drop_cm": "ratio"}


def plan(rng: np.random.Generator) -> pd.DataFrame:
    """Six days of three batches; the binder is the day's, but for one batch that was made with the other."""
    day = np.repeat(range(6), 3)
    gum = rng.permutation([0, 1] * 3)[day]
    odd = rng.integers(18)
    gum[odd] = 1 - gum[odd]
    table = pd.DataFrame({"day": day.astype(str), "binder": np.array(BINDER.levels)[gum]})
    table["run"] = [f"R{i:02d}" for i in range(18)]
    return table


def fizzed(rng: np.random.Generator, runs: pd.DataFrame) -> Changed:
    logs = np.log(150) + 0.15 * rng.normal(size=18) + np.repeat(0.225 * rng.normal(size=6), 3)
    times = pd.DataFrame(
        {"run": runs["run"].repeat(2), "piece": ["1", "2"] * 18, "water_c": 38.0, "done": True}
    )
    times["seconds"] = np.exp(logs.repeat(2) + 0.1 * rng.normal(size=36))
    study = study_fizz(runs, times.assign(colour_s=np.nan), NONE, NONE, [BINDER])
    return compare_all(batch_responses(runs, fizzed=study), [BINDER], SCALES, {}, fizzed=study)


def test_what_differs_mostly_between_days_is_judged_with_the_days() -> None:
    """A fit that knows batches only showed a binder that did nothing in 19 of 100 such trials."""
    rng = np.random.default_rng(31)
    shown = []
    for _ in range(TRIALS):
        (change,) = fizzed(rng, plan(rng)).of("binder", "fizz_s")
        shown.append(change.shown)
    assert np.mean(shown) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / TRIALS)


@pytest.mark.parametrize("mostly", [True, False])
def test_drops_are_not_compared_for_what_differs_mostly_between_days(mostly: bool) -> None:
    """Drops have no comparison by days yet, so the report says so in place of a number."""
    rng = np.random.default_rng(32)
    runs = plan(rng)
    if not mostly:
        runs["binder"] = np.tile(["emulsifier", "gum"], 9)
    rows = [
        (run, str(piece), 40.0 + 10 * (piece % 4), bool(rng.random() < 0.2 + 0.2 * (piece % 4)), piece)
        for run in runs["run"]
        for piece in range(1, 9)
    ]
    drops = pd.DataFrame(rows, columns=["run", "piece", "height_cm", "broke", "order"])
    empty = pd.DataFrame(columns=list(TESTS))
    study = study_crumble(runs, empty, drops, empty, [BINDER])
    changed = compare_all(batch_responses(runs, crumbled=study), [BINDER], SCALES, {}, crumbled=study)
    assert bool(changed.of("binder", "drop_cm")) is not mostly
    assert ("drop_cm, binder" in changed.reasons) is mostly
    if mostly:
        assert "mostly from day to day" in str(changed.reasons["drop_cm, binder"])
