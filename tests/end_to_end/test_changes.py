"""What changed: every factor against every response, in numbers, verdicts and sentences."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fizzlab.models.changes import Changed, compare_all, of_cost
from fizzlab.models.responses import batch_responses
from hypothesis import given
from hypothesis import strategies as st
from test_plan_roundtrip import _fill, _plan

from fizzlab.measures import MEASURES, Measure
from fizzlab.models.effects import Change, analyse, changes_of, ratio_limits, same_within, unreplicated
from fizzlab.models.fizz.study import study_fizz
from fizzlab.models.terms import Amount, Category
from fizzlab.recipe import cost, for_run
from fizzlab.report import parts as sections
from fizzlab.report.phrases import effects as worded
from fizzlab.report.phrases import shape as shaped
from fizzlab.trial import shipped
from fizzlab.trial.folder import Trial, load

MakeTrial = Callable[..., Path]
COLOUR = Category("colour", ("pearl", "dye", "lake"), "pearl")
BINDER = Category("binder", ("emulsifier", "gum"), "emulsifier")
LOSS = MEASURES["tumble_loss_pct"]


def _compared(trial: Trial) -> tuple[Changed, sections.Tests]:
    tests = sections.Tests(
        sections.drying(trial), sections.weighing(trial), sections.crumbling(trial), sections.fizzing(trial)
    )
    changed = sections.comparing(trial, tests)
    assert changed is not None
    return changed, tests


@pytest.fixture(scope="module")
def cores() -> Changed:
    return _compared(load(shipped.demo("cores")))[0]


def _workshop(
    seed: int, gum: float = 1.0, dye: float = 1.0, day_sd: float = 0.1, sd: float = 0.05
) -> pd.DataFrame:
    """Six days of three batches; the binder is the day's, the colour the batch's."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(6):
        shift = rng.normal(0, day_sd)
        for colour in COLOUR.levels:
            binder = "gum" if day % 2 else "emulsifier"
            logs = (
                np.log(3)
                + shift
                + np.log(gum) * (day % 2)
                + np.log(dye) * (colour == "dye")
                + rng.normal(0, sd)
            )
            rows.append((f"{day}{colour}", str(day), binder, colour, float(np.exp(logs))))
    return pd.DataFrame(rows, columns=["run", "day", "binder", "colour", "loss"])


def test_the_binder_is_judged_by_days_whatever_the_response(cores: Changed) -> None:
    assert cores.whole_day == ("binder",)
    for change in cores.of("binder"):
        assert change.judged_by == ("" if change.sure else "days")
        assert change.sure or change.df < 6
    for change in cores.of("colour"):
        assert change.sure or (change.judged_by == "batches" and change.df > 6)


def test_the_demo_shows_every_kind_of_verdict(cores: Changed) -> None:
    assert {change.verdict for change in cores.changes} >= {"more", "less", "not shown", "same"}


def test_what_is_measured_or_worked_out_is_compared_or_accounted_for(cores: Changed) -> None:
    assert set(cores.responses) == {"dry_h", "tumble_loss_pct", "fizz_s", "colour_s", "foam_mm", "cost"}
    for response in cores.responses:
        assert {change.factor for change in cores.changes if change.response == response} == {
            "binder",
            "colour",
        }


def test_cost_is_what_the_recipe_says(cores: Changed) -> None:
    trial = load(shipped.demo("cores"))
    recipe, written = trial.settings.made_recipe(), trial.settings.recipe
    assert recipe is not None
    assert written is not None
    assert written.pieces is not None
    each = {
        binder: cost(for_run(recipe, {"binder": binder, "colour": "pearl"}), written.pieces).piece.typical
        for binder in BINDER.levels
    }
    change = cores.of("binder", "cost")[0]
    assert change.estimate == pytest.approx(each["gum"] - each["emulsifier"])
    assert (change.low, change.high) == (change.estimate, change.estimate)


def test_cost_is_compared_within_the_other_settings_that_were_made() -> None:
    made = pd.DataFrame({"binder": ["emulsifier", "gum", "gum"], "colour": ["pearl", "pearl", "lake"]})
    found = of_cost(made, [0.10, 0.14, 0.30], [BINDER, Category("colour", ("pearl", "lake"), "pearl")])
    assert [(c.level, round(c.estimate, 3)) for c in found] == [("gum", 0.04), ("lake", 0.16)]


def test_sameness_needs_its_own_test() -> None:
    table = _workshop(1, day_sd=0.4, sd=0.4)
    found = changes_of(analyse(table, "loss", [BINDER, COLOUR], log=True), margin=1.1)
    assert {change.verdict for change in found} == {"not shown"}
    for change in found:
        said = worded.sentence([change], LOSS, str)
        assert "nor that they are the same within 1.10 times" in said
        assert "the same as" not in said
    tight = changes_of(
        analyse(_workshop(2, day_sd=0.002, sd=0.004), "loss", [BINDER, COLOUR], log=True), margin=1.1
    )
    assert {change.same for change in tight} == {True}


@pytest.mark.parametrize("gum", [1.0, 1.05, 1.4])
def test_the_limits_of_a_known_interval_are_those_of_the_two_one_sided_tests(gum: float) -> None:
    analysis = analyse(_workshop(3, gum=gum), "loss", [BINDER, COLOUR], log=True)
    test = same_within(analysis, "binder", "gum", margin=1.15)
    change = changes_of(analysis, margin=1.15)[0]
    assert (change.same_low, change.same_high) == pytest.approx((test.low, test.high))
    assert ratio_limits(change.estimate, change.low, change.high, change.df) == pytest.approx(
        (test.low, test.high)
    )
    assert change.same == test.same


@given(
    estimate=st.floats(-1, 1),
    half=st.floats(0.001, 2),
    margin=st.one_of(st.none(), st.floats(1.01, 3)),
    df=st.floats(1, 40),
)
def test_a_verdict_is_never_stronger_than_its_interval(
    estimate: float, half: float, margin: float | None, df: float
) -> None:
    low, high = float(np.exp(estimate - half)), float(np.exp(estimate + half))
    ratio = float(np.exp(estimate))
    same = ratio_limits(ratio, low, high, df) if margin is not None else (float("nan"), float("nan"))
    change = Change(
        "tumble_loss_pct",
        COLOUR,
        "dye",
        "pearl",
        "ratio",
        ratio,
        low,
        high,
        df,
        "batches",
        12,
        0.95,
        margin,
        *same,
    )
    said = worded.sentence([change], LOSS, str)
    if low <= 1 <= high and not change.same:
        assert change.verdict == "not shown"
        assert "no difference to pearl could be shown" in said
    if "lost more" in said:
        assert low > 1
    if "the same as" in said:
        assert margin is not None
        assert 1 / margin < change.same_low <= change.same_high < margin


def test_an_amount_goes_from_the_least_to_the_most() -> None:
    rng = np.random.default_rng(5)
    grams = np.tile([0.5, 1.0, 2.0], 4)
    table = pd.DataFrame(
        {
            "run": [str(i) for i in range(12)],
            "day": np.repeat(list("1234"), 3),
            "gum_g": grams,
            "loss": np.exp(-0.5 * grams + rng.normal(0, 0.03, 12)),
        }
    )
    change = changes_of(analyse(table, "loss", [Amount("gum_g", "g")], log=True))[0]
    assert (change.level, change.control) == ("2 g", "0.5 g")
    assert change.low < np.exp(-0.75) < change.high
    assert "with more gum, 0.5 g to 2 g, pieces had less tumble loss" in worded.sentence(
        [change], LOSS, lambda _: "gum"
    )


def test_fizz_that_was_not_watched_to_the_end_still_gives_a_batch_its_place() -> None:
    """Censoring two long pieces moves a batch's mean little, and never below what was seen."""
    rng = np.random.default_rng(8)
    runs = pd.DataFrame({"run": list("ABCDEF"), "day": list("112233")})
    times = pd.DataFrame(
        {
            "run": np.repeat(list("ABCDEF"), 4),
            "piece": list("1234") * 6,
            "water_c": 38.0,
            "seconds": np.exp(
                np.log(100) + np.repeat(rng.normal(0, 0.3, 6), 4) + rng.normal(0, 0.1, 24)
            ).round(),
            "done": True,
            "colour_s": np.nan,
        }
    )
    none = pd.DataFrame()
    whole = batch_responses(runs, fizzed=study_fizz(runs, times, none, none, [])).batches["fizz_s"]
    longest = times["seconds"].nlargest(2).index
    cut = times.assign(done=~times.index.isin(longest)).assign(
        seconds=lambda t: t["seconds"].where(t["done"], t["seconds"] - 5)
    )
    found = batch_responses(runs, fizzed=study_fizz(runs, cut, none, none, [])).batches["fizz_s"]
    assert np.abs(np.log(found / whole)).max() < 0.06
    without = cut.assign(done=True).groupby("run")["seconds"].apply(lambda s: float(np.exp(np.log(s).mean())))
    assert (found.to_numpy() >= without.to_numpy() - 1e-6).all()


def test_a_batch_of_which_nothing_was_seen_to_end_is_named() -> None:
    runs = pd.DataFrame({"run": list("ABCD"), "day": list("1122")})
    times = pd.DataFrame(
        {
            "run": list("AABBCCDD"),
            "piece": list("12") * 4,
            "water_c": 38.0,
            "seconds": [100.0, 110, 90, 95, 120, 131, 200, 200],
            "done": [True] * 6 + [False] * 2,
            "colour_s": np.nan,
        }
    )
    none = pd.DataFrame()
    found = batch_responses(runs, fizzed=study_fizz(runs, times, none, none, []))
    assert "D" in str(found.not_told["fizz_s"])


def test_a_response_that_cannot_be_compared_is_told_with_its_reason(make_trial: MakeTrial) -> None:
    trial = load(make_trial(tumbles__csv="run,pieces,before_g,after_g\nA,4,200,196\nB,4,200,197\n"))
    changed, tests = _compared(trial)
    lines = worded.not_compared(changed, trial.settings.measure, trial.settings.label)
    assert any(line.startswith("Tumble loss is not compared.") for line in lines)
    shown = sections.what_changed(trial, changed, tests)
    assert any("Tumble loss is not compared." in str(getattr(piece, "lines", "")) for piece in shown)


def test_a_trial_without_factors_has_no_such_section() -> None:
    trial = load(shipped.demo("season"))
    tests = sections.Tests(None, None, None, None)
    assert sections.comparing(trial, tests) is None
    assert sections.what_changed(trial, None, tests) == []
    assert sections.in_detail(trial, None) == []


def test_lost_batches_are_no_reason_to_stop() -> None:
    table = _workshop(6, gum=1.5)
    table.loc[[0, 7, 11], "loss"] = np.nan
    found = compare_all(
        batch_responses(table.rename(columns={"loss": "shine"}), own=["shine"]),
        [BINDER, COLOUR],
        {"shine": "ratio"},
        {},
    )
    assert found.of("binder")[0].batches == 15
    assert found.of("binder")[0].low < 1.5 < found.of("binder")[0].high


def test_findings_in_the_record_are_the_numbers_of_the_sentences(demo_reports: dict[str, Path]) -> None:
    findings = json.loads((demo_reports["cores"].parent / "findings.json").read_text(encoding="utf-8"))
    ours = [each for each in findings if each["topic"].startswith("changed.")]
    assert len(ours) == 18
    for each in ours:
        numbers = re.findall(r"\d+\.?\d*", each["sentence"].replace("−", ""))
        if each["unit"] in ("ratio", "odds ratio"):
            assert f"{each['estimate']:.2f}" in numbers


def test_an_own_response_is_spoken_of_by_its_label() -> None:
    measure = Measure("foam after a minute", "mm", "difference")
    change = Change("foam_mm", COLOUR, "dye", "pearl", "difference", 4.0, 1.0, 7.0, 9.0, "batches", 12)
    assert worded.sentence([change], measure, str) == (
        "Foam after a minute: pieces had more foam after a minute than those with pearl: with dye +4.0 mm "
        "(95 % interval +1.0 to +7.0 mm)."
    )


def _planned(kind: str, folder: Path) -> Changed:
    _plan(kind, folder)
    _fill(folder)
    return _compared(load(folder))[0]


def _said(kind: str, folder: Path) -> str:
    changed = _planned(kind, folder)
    pieces = sections.in_detail(load(folder), changed)
    return " ".join(str(getattr(piece, "findings", piece)) for piece in pieces)


def test_a_curved_plan_tells_where_its_surface_is_level_and_whether_that_was_tried(tmp_path: Path) -> None:
    said = _said("central composite", tmp_path / "quay")
    assert "By the fitted surface, tumble loss" in said
    assert "A bend of tumble loss with oil was not shown" in said


def test_batches_in_the_middle_tell_of_bends(tmp_path: Path) -> None:
    assert "The batches in the middle lie at" in _said("fractional factorial", tmp_path / "quay")


def test_a_mixture_is_told_by_its_shares(tmp_path: Path) -> None:
    assert "from the least to the most emulsifier, the others in proportion" in _said(
        "mixture", tmp_path / "quay"
    )


def test_without_repeats_effects_must_stand_out_from_the_crowd() -> None:
    """Eight batches, three factors, all joint effects in the plan: only the planted effect stands out."""
    corners = pd.DataFrame(
        [(str(i), a, b, c) for i, (a, b, c) in enumerate(itertools.product((1.0, 3.0), repeat=3))],
        columns=["run", "oil_g", "gum_g", "salt_g"],
    )
    noise = np.random.default_rng(2).normal(0, 0.02, 8)
    batches = corners.assign(tumble_loss_pct=np.exp(0.8 * (corners["oil_g"] - 2) + noise))
    terms = [Amount("oil_g", "g"), Amount("gum_g", "g"), Amount("salt_g", "g")]
    found = unreplicated(batches, "tumble_loss_pct", terms, log=True)
    said = shaped.standing_out(found, LOSS, lambda name: name.removesuffix("_g"))
    assert said.sentence.startswith("Tumble loss: oil stands out.")
    table = shaped.standing_out_table(found, lambda name: name.removesuffix("_g"))
    assert list(table["effect"][:1]) == ["oil"]
    assert set(table["effect"]) >= {"oil with gum", "oil with gum with salt"}


def test_the_report_says_how_many_comparisons_chance_alone_would_show(cores: Changed) -> None:
    measured = [change for change in cores.changes if not change.sure]
    shown = sum(change.shown for change in measured)
    said = worded.by_chance(cores)
    assert len(measured) == 15
    assert said.startswith(f"Of 15 comparisons {shown} show a difference.")
    assert "chance alone would still show about 1." in said
    few = replace(cores, changes=tuple(measured[:3]))
    assert worded.by_chance(few) == ""
