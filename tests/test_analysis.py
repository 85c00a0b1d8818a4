"""A trial worked out: one fit a response, every response accounted for, and the sentences of what changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from fizzlab.measures import MEASURES, Measure
from fizzlab.models.effects import fit_response
from fizzlab.models.result import Effect
from fizzlab.models.terms import Amount, Category
from fizzlab.recipe.amounts import cost
from fizzlab.recipe.ingredients import for_run
from fizzlab.report import parts
from fizzlab.report import phrases as worded
from fizzlab.report.analysis import Analysis, analyse, cost_effects
from fizzlab.report.page import Findings, Grid, Notes
from fizzlab.report.parts.changed import by_chance
from fizzlab.trial import shipped
from fizzlab.trial.folder import load
from fizzlab.trial.settings import TrialSettings

MakeTrial = Callable[..., Path]
COLOUR = Category("colour", ("pearl", "dye", "lake"), "pearl")
BINDER = Category("binder", ("emulsifier", "gum"), "emulsifier")


@pytest.fixture(scope="module")
def cores() -> Analysis:
    return analyse(load(shipped.demo("cores")))


def test_the_binder_is_judged_by_days_whatever_the_response(cores: Analysis) -> None:
    for effect in cores.of("binder"):
        assert effect.exact or (effect.judged_by == "days" and effect.df < 6)
    for effect in cores.of("colour"):
        assert effect.exact or (effect.judged_by == "batches" and effect.df > 6)


def test_what_is_measured_or_worked_out_is_compared_by_every_factor(cores: Analysis) -> None:
    measured = {"dry_h", "tumble_loss_pct", "broken_pct", "fizz_s", "colour_s", "foam_mm"}
    assert set(cores.responses) == measured | {"cost"}
    for response in cores.responses:
        assert {effect.factor for effect in cores.fits[response].effects} == {"binder", "colour"}


def test_cost_is_what_the_recipe_says(cores: Analysis) -> None:
    recipe, written = cores.trial.settings.made_recipe(), cores.trial.settings.recipe
    assert recipe is not None
    assert written is not None
    assert written.pieces is not None
    each = {
        binder: cost(for_run(recipe, {"binder": binder, "colour": "pearl"}), written.pieces).piece.typical
        for binder in BINDER.levels
    }
    (effect,) = cores.of("binder", "cost")
    assert effect.estimate == pytest.approx(each["gum"] - each["emulsifier"])
    assert (effect.conf_low, effect.conf_high) == (effect.estimate, effect.estimate)


def test_cost_is_compared_within_the_other_settings_that_were_made() -> None:
    made = pd.DataFrame({"binder": ["emulsifier", "gum", "gum"], "colour": ["pearl", "pearl", "lake"]})
    found = cost_effects(made, [0.10, 0.14, 0.30], [BINDER, Category("colour", ("pearl", "lake"), "pearl")])
    assert [(effect.level, round(effect.estimate, 3)) for effect in found] == [("gum", 0.04), ("lake", 0.16)]


def test_a_response_that_cannot_be_compared_is_told_with_its_reason(make_trial: MakeTrial) -> None:
    done = analyse(load(make_trial(tumbles__csv="run,pieces,before_g,after_g\nA,4,200,196\nB,4,200,197\n")))
    assert "tumble_loss_pct" in done.reasons
    shown = [line for piece in parts.crumble(done) if isinstance(piece, Notes) for line in piece.lines]
    assert any(line.startswith("Tumble loss is not compared.") for line in shown)


def test_a_trial_without_factors_compares_nothing() -> None:
    done = analyse(load(shipped.demo("season")))
    assert (done.terms, done.effects) == ((), ())
    assert parts.what_changed(done) == []
    assert parts.in_detail(done) == []


def test_every_effect_is_told_once_with_its_numbers(cores: Analysis) -> None:
    pieces = parts.compared(cores)
    found = [each for piece in pieces if isinstance(piece, Findings) for each in piece.findings]
    told = [each for each in found if each.topic.startswith("changed.")]
    assert {each.topic: each.estimate for each in told} == {
        f"changed.{effect.topic}": effect.estimate for effect in cores.effects
    }


def test_how_many_comparisons_chance_alone_would_show(cores: Analysis) -> None:
    measured = [effect for effect in cores.effects if not effect.exact]
    (said,) = by_chance(cores)
    shown = sum(effect.shown for effect in measured)
    assert said.startswith(f"{shown} of {len(measured)} comparisons show a difference")
    assert by_chance(replace(cores, fits={"fizz_s": cores.fits["fizz_s"]})) == []


@pytest.mark.slow
def test_what_differs_mostly_between_days_is_judged_with_the_days() -> None:
    """A fit that knows batches only showed a binder that did nothing in 19 of 100 such trials."""
    rng, shown = np.random.default_rng(31), []
    day = np.repeat(range(6), 3)
    for _ in range(100):
        gum = rng.permutation([0, 1] * 3)[day]
        odd = rng.integers(18)
        gum[odd] = 1 - gum[odd]
        runs = pd.DataFrame({"day": day.astype(str), "binder": np.array(BINDER.levels)[gum]})
        runs["fizz_s"] = np.exp(np.log(150) + 0.15 * rng.normal(size=18) + 0.225 * rng.normal(size=6)[day])
        shown += [effect.shown for effect in fit_response(runs, "fizz_s", [BINDER]).effects]
    assert np.mean(shown) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 100)


# --- sentences --------------------------------------------------------------------------------


def effect(response: str, *ends: float, term: Category | Amount = COLOUR, **more: object) -> Effect:
    level, control = ("dye", "pearl") if isinstance(term, Category) else ("2 g", "0.5 g")
    scale = "difference" if response in ("score", "gas_pct", "cost", "foam_mm") else "ratio"
    given = {"df": 9.0, "p_value": 0.1, "n_batches": 12, **more}
    return Effect(response, term, level, control, scale, *ends, **given)  # type: ignore[arg-type]


FOAM = Measure("foam_mm", "foam after a minute", "mm", "difference")

#: What is said of an effect of each kind.
SAID = [
    (effect("dry_h", 1.38, 1.2, 1.59), "Pieces with dye dry 38 % slower than with pearl (20 to 59 %)."),
    (effect("dry_h", 0.85, 0.76, 0.95), "Pieces with dye dry 15 % faster than with pearl (5 to 24 %)."),
    (
        effect("dry_h", 1.11, 0.83, 1.47),
        "Dry time, dye against pearl: can't tell yet; anything from 17 % faster to 47 % slower is possible.",
    ),
    (
        effect("tumble_loss_pct", 2.4, 1.9, 3.1),
        "Pieces with dye crumble more in the tumble than with pearl: 2.4 times as much (1.9 to 3.1 times).",
    ),
    (
        effect("fizz_s", 1.02, 0.98, 1.06, margin=1.15, same_low=0.99, same_high=1.05),
        "Fizz time: dye and pearl are as good as equal, at most 5 % apart (you set 15 %).",
    ),
    (
        effect("fizz_s", 1.04, 1.02, 1.06, margin=1.15, same_low=1.03, same_high=1.05),
        "Pieces with dye fizz 4 % longer than with pearl (2 to 6 %); you count that as equal.",
    ),
    (
        effect("drop_cm", 1.3, 1.1, float("inf")),
        "Pieces with dye break from 30 % higher up than with pearl (at least 10 %).",
    ),
    (
        effect("score", 0.5, 0.2, 0.8),
        "Pieces with dye score 0.50 points worse than with pearl (0.20 to 0.80 points).",
    ),
    (
        effect("tumble_loss_pct", 0.5, 0.4, 0.6, term=Amount("gum_g", "g")),
        "Pieces with 2 g of gum crumble 50 % less in the tumble than with 0.5 g (40 to 60 %).",
    ),
    (
        effect("foam_mm", 4.0, 1.0, 7.0),
        "Pieces with dye have 4.0 mm more foam after a minute than with pearl (1.0 to 7.0 mm).",
    ),
    (effect("cost", 0.06, 0.06, 0.06, df=float("inf")), "Pieces with dye cost 0.060 more than with pearl."),
    (effect("cost", 0.0, 0.0, 0.0, df=float("inf")), "Cost of a piece: no difference between dye and pearl."),
]


@pytest.mark.parametrize(("told", "said"), SAID, ids=[str(place) for place in range(len(SAID))])
def test_the_sentence_of_every_kind_of_effect(told: Effect, said: str) -> None:
    measure = (MEASURES | {"foam_mm": FOAM})[told.response]
    assert worded.sentence(told, measure, lambda name: name.removesuffix("_g")) == said


@given(
    estimate=st.floats(-1, 1),
    half=st.floats(0.001, 2),
    margin=st.one_of(st.none(), st.floats(1.01, 3)),
    df=st.floats(1, 40),
)
def test_a_sentence_is_never_stronger_than_its_interval(
    estimate: float, half: float, margin: float | None, df: float
) -> None:
    ratio, low, high = (float(np.exp(estimate + step)) for step in (0, -half, half))
    reach = half * stats.t.isf(0.05, df) / stats.t.isf(0.025, df)
    same = np.exp([estimate - reach, estimate + reach]) if margin is not None else (np.nan, np.nan)
    more = {"margin": margin, "same_low": same[0], "same_high": same[1], "df": df}
    told = effect("tumble_loss_pct", ratio, low, high, **more)
    said = worded.sentence(told, MEASURES["tumble_loss_pct"], str)
    assert ("can't tell yet" in said) == (low <= 1 <= high and not told.same)
    assert ("than with pearl" in said) == (low > 1 or high < 1)
    if "as good as equal" in said or "count that as equal" in said:
        assert margin is not None
        assert 1 / margin < same[0] <= same[1] < margin


def test_an_amount_goes_from_the_least_to_the_most() -> None:
    rng = np.random.default_rng(5)
    grams = np.tile([0.5, 1.0, 2.0], 4)
    loss = np.exp(-0.5 * grams + rng.normal(0, 0.03, 12))
    table = pd.DataFrame({"day": np.repeat(list("1234"), 3), "gum_g": grams, "loss": loss})
    (found,) = fit_response(table, "loss", [Amount("gum_g", "g")]).effects
    assert (found.level, found.control) == ("2 g", "0.5 g")
    assert found.conf_low < np.exp(-0.75) < found.conf_high


def test_a_factor_is_named_as_the_maker_calls_it_and_a_label_stays_whole() -> None:
    factors = {
        "colour": {"levels": ["dye", "lake"], "label": "way of colouring"},
        "depth": {"levels": ["pale", "deep"], "label": "depth of colour"},
        "oil_g": {"amounts": [1.0, 2.0], "unit": "g"},
    }
    given = {"code": "quay", "title": "Quay", "question": "Which?", "factors": factors}
    settings = TrialSettings.model_validate(given)
    for said, meant in (
        ("Every batch had the same depth.", "Every batch had the same depth of colour."),
        ("Only depth of colour and colour changed.", "Only depth of colour and way of colouring changed."),
        ("oil_g, oil_g:colour", "oil, oil:way of colouring"),
        ("Colourless pieces; log vpd_kpa", "Colourless pieces; the room's air"),
    ):
        assert worded.spoken(said, settings) == meant
        assert worded.spoken(meant, settings) == meant


def test_typical_values_are_those_of_the_fits(cores: Analysis) -> None:
    pieces = parts.typical_values(cores)
    found = {f.topic: f for piece in pieces if isinstance(piece, Findings) for f in piece.findings}
    row = cores.fits["fizz_s"].predict({"colour": ["lake"]}).iloc[0]
    lake = found["fizz_time.typical[lake]"]
    assert [lake.estimate, lake.low, lake.high] == row[["estimate", "conf_low", "conf_high"]].tolist()
    (grid,) = [piece for piece in pieces if isinstance(piece, Grid)]
    assert len(grid.rows) == len([name for name in cores.responses if name != "cost"])
