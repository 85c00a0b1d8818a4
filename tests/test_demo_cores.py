"""The demo split plot: laid out by the kit's own plan, its blemishes in place, and its truth recovered."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fizzlab.bench.planning import plan_trial
from fizzlab.models.crumble import batch_losses
from fizzlab.models.curing import CuringFit
from fizzlab.models.effects import ResponseFit, fit_response
from fizzlab.models.water import arrhenius
from fizzlab.recipe.amounts import cost
from fizzlab.report.analysis import analyse
from fizzlab.trial import folder as trial
from fizzlab.trial import shipped

TRUTH: dict[str, Any] = json.loads((shipped.DEMO / "truth.json").read_text(encoding="utf-8"))["cores"]


@pytest.fixture(scope="module")
def cores() -> trial.Trial:
    return trial.load(shipped.demo("cores"))


@pytest.fixture(scope="module")
def numbers(cores: trial.Trial) -> pd.DataFrame:
    """One row a batch: tumble loss, seconds of fizz put at 38 °C by the true energy, foam."""
    batches = cores.batches().reset_index()
    batches["tumble_loss_pct"] = batches["run"].map(batch_losses(cores.rows("tumbles"))["loss_pct"])
    times = cores.rows("fizz_times")
    slope = TRUTH["fizz_times"]["activation_kj_mol"] * arrhenius(times["water_c"].to_numpy(float), 38.0)
    at_38 = np.log(times["seconds"].astype(float)) - slope
    batches["fizz_s"] = batches["run"].map(np.exp(at_38.groupby(times["run"]).mean()))
    return batches


def found(numbers: pd.DataFrame, cores: trial.Trial, response: str, model: str) -> ResponseFit:
    log = cores.settings.measure(response).scale == "ratio"
    return fit_response(numbers, response, cores.settings.terms(), model=model, log=log)


def true_effects(response: str) -> dict[str, float]:
    """Averaged over the levels of the other factor, as the effects of a fit are."""
    if response == "foam_mm":
        means = TRUTH["foam_mm"]["mean_mm"]
        return {"gum": means["gum"] - means["emulsifier"], "dye": 0.0, "lake": 0.0}
    ratios = TRUTH[{"tumble_loss_pct": "tumbles", "fizz_s": "fizz_times"}[response]]["ratios"]
    joint = float(ratios["joint"].get("gum with lake", 1.0))
    return {
        "gum": ratios["binder"]["gum"] * joint ** (1 / 3),
        "dye": ratios["colour"]["dye"],
        "lake": ratios["colour"]["lake"] * joint ** (1 / 2),
    }


# as planned ----------------------------------------------------------------------------------------------


def test_the_batches_are_those_of_the_plan(cores: trial.Trial) -> None:
    planned = plan_trial(cores.settings)
    raw = pd.read_csv(cores.folder / "runs.csv", dtype=str, keep_default_na=False)
    columns = ["run", "day", "blind", "binder", "colour"]
    assert raw[columns].values.tolist() == planned.runs[columns].values.tolist()
    assert planned.plan.error_df == {"days": 4, "runs": 8}


def test_a_binder_is_mixed_for_a_whole_day(cores: trial.Trial) -> None:
    batches = cores.batches()
    assert (batches.groupby("day")["binder"].nunique() == 1).all()
    assert batches.groupby("binder")["day"].nunique().to_dict() == {"emulsifier": 3, "gum": 3}
    assert batches.groupby("day")["made_at"].agg(lambda moment: moment.dt.date.nunique()).eq(1).all()


def test_what_went_wrong(cores: trial.Trial) -> None:
    blemishes = TRUTH["blemishes"]
    left_out = cores.left_out()
    assert left_out["run"].tolist() == [blemishes["lost"]]
    assert "bowl" in left_out["reason"].iloc[0]
    tumbles = cores.rows("tumbles").groupby("run").size()
    assert tumbles.index[tumbles == 1].tolist() == [blemishes["one_tumble"]]
    foam = cores.batches()["foam_mm"]
    assert foam.index[foam.isna()].tolist() == [blemishes["no_foam"]]


def test_binder_and_colour_change_what_a_piece_costs(cores: trial.Trial) -> None:
    cards = plan_trial(cores.settings).cards.cards
    costs = {card.levels: cost(card.recipe, 16).piece.typical for card in cards if card.recipe is not None}
    assert len(costs) == 6
    assert min(costs.values()) > 0
    by_binder = [
        {levels[1]: each for levels, each in costs.items() if levels[0][1] == binder}
        for binder in ("emulsifier", "gum")
    ]
    for colour in by_binder[0]:
        assert by_binder[1][colour] < by_binder[0][colour]
    assert max(by_binder[0], key=lambda colour: by_binder[0][colour])[1] == "lake"


# truth ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", ["main", "interactions"])
@pytest.mark.parametrize("response", ["tumble_loss_pct", "fizz_s", "foam_mm"])
def test_every_interval_holds_what_is_true(
    numbers: pd.DataFrame, cores: trial.Trial, response: str, model: str
) -> None:
    effects = found(numbers, cores, response, model).effects
    true = true_effects(response)
    assert len(effects) == 3
    for effect in effects:
        assert effect.conf_low <= true[effect.level] <= effect.conf_high, effect.level


def test_days_judge_the_binder_and_batches_the_colour(numbers: pd.DataFrame, cores: trial.Trial) -> None:
    tests = found(numbers, cores, "tumble_loss_pct", "interactions").tests
    assert tests["judged_by"].to_dict() == {"binder": "days", "colour": "batches", "binder:colour": "batches"}
    assert 3 < tests.loc["binder", "df_den"] < 4.5
    assert 6 < tests.loc["colour", "df_den"] < 8


def test_the_report_has_every_kind_of_verdict_to_give(numbers: pd.DataFrame, cores: trial.Trial) -> None:
    gum, dye, lake = found(numbers, cores, "tumble_loss_pct", "interactions").effects
    assert gum.conf_low > 1
    assert lake.conf_low > 1
    assert not dye.shown
    assert found(numbers, cores, "foam_mm", "main").effects[0].conf_high < 0
    asked = cores.settings.responses["fizz_s"].same_within
    fizz = fit_response(numbers, "fizz_s", cores.settings.terms(), log=True, margin=asked)
    assert fizz.effects[0].same


def test_dry_times_hold_what_is_true(cores: trial.Trial) -> None:
    fit = analyse(cores, only=["dry_h"]).fits["dry_h"]
    assert isinstance(fit, CuringFit)
    true = TRUTH["drying"]["ratios"]
    gum, dye, lake = fit.effects
    for effect in (gum, dye, lake):
        assert effect.conf_low <= true[effect.factor][effect.level] <= effect.conf_high, effect.level
    assert dye.conf_low > 1
    (air,) = fit.air_effects
    assert air.conf_low > 1  # air half as thirsty
    assert air.conf_low <= 0.5 ** TRUTH["drying"]["vpd_slope"] <= air.conf_high
    # six per cent cannot be shown by six days, nor can sameness within the margin asked for
    assert gum.judged_by == "days"
    assert gum.conf_low < 1 < 1.25 < gum.conf_high
