"""The fizz study of the demo trials recovers their true values; parts that are not there are absent."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fizzlab.errors import CannotAnswer
from fizzlab.measures import MEASURES
from fizzlab.models.effects import fit_response
from fizzlab.models.fizz import FizzStudy, study_fizz
from fizzlab.models.terms import Category, varying
from fizzlab.report import parts as sections
from fizzlab.report.analysis import Analysis, analyse, theory_spans
from fizzlab.report.page import Findings, Notes, Picture
from fizzlab.report.parts.fizz import doubts, spent, warmth
from fizzlab.trial import shipped
from fizzlab.trial.folder import Trial, load

MakeTrial = Callable[..., Path]

TRUTH = json.loads((shipped.DEMO / "truth.json").read_text(encoding="utf-8"))

RECIPE = """
[recipe]
pieces = 10

[[recipe.ingredients]]
name = "soda"
kind = "sodium bicarbonate"
amount = "100 g"

[[recipe.ingredients]]
name = "acid"
kind = "citric acid"
amount = "50 g"
"""


def only_fizz(trial: Trial) -> Analysis:
    """What `analyse` gives, of the fizz tables alone."""
    tables = {name: trial.rows(name) for name in ("runs", "fizz_times", "fizz_curves", "shelf")}
    terms, _ = varying(trial.settings.terms(), tables["runs"])
    theory: dict[str, float] | float | None = trial.settings.fizz.theory_g
    if theory is None:
        theory = {run: span.typical for run, span in theory_spans(trial).items()} or None
    water_ml = trial.settings.fizz.water_ml
    study = study_fizz(tables, terms, theory_g=theory, water_ml=water_ml)
    batches, fits = tables["runs"], dict(study.fits)
    for name, numbers in study.numbers.items():
        batches = batches.assign(**{name: batches["run"].map(numbers)})
        fits.setdefault(name, fit_response(batches, name, terms))
    return Analysis(trial, tuple(terms), batches, {MEASURES["fizz_s"].study: study}, fits)


@pytest.fixture(scope="module")
def done() -> dict[str, Analysis]:
    return {name: only_fizz(load(shipped.demo(name))) for name in ("season", "colour-ways", "binder")}


def study_of(analysed: Analysis) -> FizzStudy:
    study = analysed.study("fizz_s")
    assert isinstance(study, FizzStudy)
    return study


def said(pieces: list[object]) -> str:
    """Every sentence of some pieces of a report."""
    lines = [piece for piece in pieces if isinstance(piece, str)]
    for piece in pieces:
        if isinstance(piece, Notes):
            lines += list(piece.lines)
        elif isinstance(piece, Findings):
            lines += [finding.sentence for finding in piece.findings]
    return "\n".join(lines)


# the demo trials -----------------------------------------------------------------------------------------


def test_times_of_the_demo_hold_their_truth(done: dict[str, Analysis]) -> None:
    told, fits = TRUTH["colour-ways"]["fizz_times"], done["colour-ways"].fits
    for effect in fits["fizz_s"].effects:
        assert effect.conf_low <= told["ratios"][effect.level] <= effect.conf_high
    for response, truth in (
        ("fizz_s", {level: told["median_s"] * ratio for level, ratio in told["ratios"].items()}),
        ("colour_s", told["colour_s"]),
    ):
        typical = fits[response].predict({"colour": list(truth)}).set_index("colour")
        for level, seconds in truth.items():
            assert typical["conf_low"][level] <= seconds <= typical["conf_high"][level]
    times = study_of(done["colour-ways"]).times["fizz_s"]
    assert times.fit is not None
    assert times.fit.ea_kj_mol == pytest.approx(told["activation_kj_mol"], abs=15)
    assert times.unfinished == 8
    assert times.never == ["B04"]
    assert fits["fizz_s"].n_batches == 15
    assert 0.5 * told["piece_sd"] < times.fit.found.sigma < 2 * told["piece_sd"]


def test_gas_of_the_demo_holds_its_truth(done: dict[str, Analysis]) -> None:
    told, study, fits = TRUTH["binder"]["fizz_curves"], study_of(done["binder"]), done["binder"].fits
    assert study.curves is not None
    assert study.curves.common == "cube root"
    assert study.curves.not_fitted.empty
    assert len(study.curves.pieces) == 24
    assert study.reached is not None
    came = fits["gas_pct"].predict().iloc[0]
    assert came["conf_low"] <= 100 * (1 - told["spent"]) <= came["conf_high"]
    assert study.reached["dissolved_g"].mean() == pytest.approx(told["dissolved_g"], rel=0.02)
    effect = fits["half_out_s"].effects[0]
    assert effect.conf_low <= np.exp(1.2 * told["log_ratio_per_g"]) <= effect.conf_high
    typical = fits["half_out_s"].predict().iloc[0]
    assert typical["conf_low"] <= told["t50_s"] <= typical["conf_high"]


def test_the_splash_is_told_and_not_counted(done: dict[str, Analysis]) -> None:
    run, piece = TRUTH["binder"]["blemishes"]["splash"]
    study = study_of(done["binder"])
    assert study.curves is not None
    pieces = study.curves.pieces
    splashed = pieces[[bool(fit.jumps) for fit in study.curves.fits]]
    assert splashed[["run", "piece"]].to_numpy().tolist() == [[run, piece]]
    assert any(f"Piece {piece} of {run}: 1.3 g went at once by 40 s" in line for line in doubts(study))
    others = pieces.loc[pieces["run"] != run, "gas_g"]
    assert abs(splashed["gas_g"].iloc[0] - others.mean()) < 4 * others.std()


def test_the_shelf_of_the_demo_holds_its_truth(done: dict[str, Analysis]) -> None:
    told, shelf = TRUTH["season"]["shelf"], study_of(done["season"]).shelf
    assert shelf is not None
    assert len(shelf.table) == 2
    for row, (humidity, per_week) in zip(
        shelf.table.to_dict("records"), told["per_week"].items(), strict=True
    ):
        assert abs(row["rh_pct"] - float(humidity)) < 2
        assert row["conf_low"] <= per_week <= row["conf_high"]
    slope = (told["per_week"]["70"] - told["per_week"]["35"]) / 3.5
    assert shelf.effects[0].conf_low <= slope <= shelf.effects[0].conf_high
    assert shelf.left["left"].between(0.5, 1.2).all()


def test_parts_without_a_table_are_absent(done: dict[str, Analysis]) -> None:
    season, colour, binder = (study_of(done[name]) for name in ("season", "colour-ways", "binder"))
    assert season.times == {}
    assert season.curves is None
    assert season.reached is None
    assert list(colour.times) == ["fizz_s", "colour_s"]
    assert colour.curves is None
    assert colour.shelf is None
    assert list(binder.times) == ["half_out_s"]
    assert binder.shelf is None


def test_a_trial_without_fizz_tables_has_no_section(make_trial: MakeTrial) -> None:
    trial = load(make_trial())
    assert sections.fizz(analyse(trial)) == []


@pytest.mark.slow
def test_the_section_of_each_demo(done: dict[str, Analysis]) -> None:
    wanted = {"season": {"shelf-life"}, "colour-ways": set(), "binder": {"fizz-curves"}}
    for name, figures in wanted.items():
        pieces = sections.fizz(done[name])
        assert pieces[0] == "## Fizz"
        drawn = {piece.name for piece in pieces if isinstance(piece, Picture)}
        assert drawn - {"changed-fizz"} == figures
        assert ("changed-fizz" in drawn) == bool(done[name].terms)
        topics = [f.topic for piece in pieces if isinstance(piece, Findings) for f in piece.findings]
        assert len(topics) == len(set(topics))
        assert "Hot water scalds" in said(pieces)


def test_how_long_fizz_lasts_is_said(done: dict[str, Analysis]) -> None:
    assert "90 % is left after 12 weeks" in said(sections.fizz(done["season"]))


# words ---------------------------------------------------------------------------------------------------


def invented(
    rng: np.random.Generator, lake: float = 1.0, batches: int = 12, low_c: float = 30.0
) -> tuple[pd.DataFrame, pd.DataFrame]:
    runs = pd.DataFrame(
        {"run": [f"R{i}" for i in range(batches)], "day": "1", "colour": ["pearl", "lake"] * (batches // 2)}
    )
    rows = []
    for i in range(batches):
        own = rng.normal(0, 0.05)
        for piece in "12":
            water = rng.uniform(low_c, low_c + 6)
            ratio = lake if i % 2 else 1.0
            rows.append(
                (f"R{i}", piece, water, 120 * ratio * np.exp(own + rng.normal(0, 0.08)), True, np.nan)
            )
    columns = ["run", "piece", "water_c", "seconds", "done", "colour_s"]
    return runs, pd.DataFrame(rows, columns=columns)


COLOUR = Category("colour", ("pearl", "lake"), "pearl")
NONE = pd.DataFrame()


def studied(
    runs: pd.DataFrame, times: pd.DataFrame, curves: pd.DataFrame = NONE, shelf: pd.DataFrame = NONE
) -> FizzStudy:
    tables = {"runs": runs, "fizz_times": times, "fizz_curves": curves, "shelf": shelf}
    return study_fizz(tables, [COLOUR])


def test_a_bath_that_was_not_tried_is_marked() -> None:
    study = studied(*invented(np.random.default_rng(5), low_c=20.0))
    (found,) = warmth(study.times["fizz_s"], MEASURES["fizz_s"])
    assert found.beyond_tried
    assert "were tried" in found.sentence
    assert any(line.startswith("Water of 38 °C was not tried") for line in doubts(study))


def test_what_was_not_shown_is_left_open() -> None:
    study = studied(*invented(np.random.default_rng(3)))
    (found,) = warmth(study.times["fizz_s"], MEASURES["fizz_s"])
    assert found.low is not None
    assert found.high is not None
    assert found.low < 1 < found.high
    assert "can't tell yet" in found.sentence


def test_one_basin_temperature_is_said_to_tell_nothing_of_warmth() -> None:
    runs, times = invented(np.random.default_rng(6))
    study = studied(runs, times.assign(water_c=37.0))
    assert warmth(study.times["fizz_s"], MEASURES["fizz_s"]) == []
    assert any("no time is corrected for warmth" in line for line in doubts(study))


def test_a_part_that_cannot_be_answered_says_why_and_the_rest_goes_on() -> None:
    runs, times = invented(np.random.default_rng(8))
    seconds = np.arange(0.0, 60.0, 10.0)
    flat = pd.DataFrame(
        {"run": "R0", "piece": "1", "water_c": 38.0, "seconds": seconds, "mass_g": 400.0 + 0.0 * seconds}
    )
    shelf = pd.DataFrame(
        {"run": ["R0", "R0"], "weeks": [0.0, 4.0], "rh_pct": np.nan, "gas_g": [8.0, 7.0]}
        | {"share_left": np.nan, "seconds": np.nan}
    )
    unfinished = times.assign(done=False, colour_s=np.linspace(3, 9, len(times)))
    study = studied(runs, unfinished, flat, shelf)
    assert list(study.numbers) == ["colour_s"]
    assert "No piece was watched to the end." in str(study.reasons["fizz_s"])
    assert "The cup lost too little" in str(study.reasons["half_out_s"])
    assert study.shelf is None
    assert any("How fast stored pieces lose their fizz" in line for line in doubts(study))


# what the recipe could give ------------------------------------------------------------------------------


def binder_with(tmp_path: Path, change: Callable[[str], str]) -> Path:
    folder = Path(shutil.copytree(shipped.demo("binder"), tmp_path / "binder"))
    toml = folder / "trial.toml"
    toml.write_text(change(toml.read_text(encoding="utf-8")), encoding="utf-8")
    return folder


def without_theory(toml: str) -> str:
    return "\n".join(line for line in toml.splitlines() if not line.startswith("theory_g")) + "\n"


@pytest.mark.slow
def test_theory_comes_from_the_recipe(tmp_path: Path) -> None:
    """50 g of citric acid (192.12 g/mol) turn 3 mol of soda each to gas: 34.36 g, tenth by ten pieces."""
    folder = binder_with(tmp_path, lambda toml: without_theory(toml) + RECIPE)
    done = only_fizz(load(folder))
    reached = study_of(done).reached
    assert reached is not None
    assert reached["theory_g"].to_numpy() == pytest.approx(3 * 50 / 192.12 * 44.009 / 10, rel=1e-3)
    assert spent(reached, done.fits["gas_pct"]).sentence.startswith(
        "More gas came than the recipe could give:"
    )


@pytest.mark.slow
def test_a_recipe_by_cups_is_said_to_be_loose(tmp_path: Path) -> None:
    cups = RECIPE.replace("100 g", "1 cup").replace("50 g", "1/2 cup").replace("pieces = 10", "pieces = 6")
    folder = binder_with(tmp_path, lambda toml: without_theory(toml) + cups)
    assert "is measured by volume" in said(sections.fizz(only_fizz(load(folder))))


@pytest.mark.slow
def test_without_a_theory_the_report_asks_for_one(tmp_path: Path) -> None:
    analysed = only_fizz(load(binder_with(tmp_path, without_theory)))
    assert study_of(analysed).reached is None
    assert "What the recipe could give is not known: add theory_g" in said(sections.fizz(analysed))


def test_a_recipe_without_pieces_cannot_tell_the_gas_of_one(tmp_path: Path) -> None:
    toml = RECIPE.replace("pieces = 10\n", "")
    with pytest.raises(CannotAnswer, match="does not say how many pieces"):
        theory_spans(load(binder_with(tmp_path, lambda old: without_theory(old) + toml)))
