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
from fizzlab.models.fizz.reached import GasFits
from fizzlab.models.fizz.study import Compared, FizzStudy, Reached, Stored, study_fizz
from fizzlab.models.terms import Amount, Category
from fizzlab.report import parts as sections
from fizzlab.report.page import Findings, Notes, Picture
from fizzlab.report.parts.fizz import Fizzed
from fizzlab.report.phrases import fizz as worded
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

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


def label(name: str) -> str:
    return name.replace("_", " ")


@pytest.fixture(scope="module")
def studies() -> dict[str, FizzStudy]:
    found = {}
    for name in ("season", "colour-ways", "binder"):
        fizzed = sections.fizzing(load(shipped.demo(name)))
        assert fizzed is not None
        found[name] = fizzed.study
    return found


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


def test_durations_of_the_demo_hold_their_truth(studies: dict[str, FizzStudy]) -> None:
    told, lasting = TRUTH["colour-ways"]["fizz_times"], studies["colour-ways"].lasting
    assert isinstance(lasting, Compared)
    for effect in lasting.fit.effects:
        level = effect.name.removeprefix("colour[").removesuffix("]")
        assert effect.low <= told["ratios"][level] <= effect.high
    water = lasting.fit.water
    assert water is not None
    assert water.ea_low <= told["activation_kj_mol"] <= water.ea_high
    typical = lasting.typical.set_index("level")
    for level, ratio in told["ratios"].items():
        assert typical.loc[level, "low"] <= told["median_s"] * ratio <= typical.loc[level, "high"]
    assert lasting.fit.unfinished == 8
    assert 0.5 * told["piece_sd"] < lasting.fit.sd_pieces < 2 * told["piece_sd"]


def test_colour_of_the_demo_holds_its_truth(studies: dict[str, FizzStudy]) -> None:
    told, colour = TRUTH["colour-ways"]["fizz_times"]["colour_s"], studies["colour-ways"].colour
    assert isinstance(colour, Compared)
    typical = colour.typical.set_index("level")
    for level, seconds in told.items():
        assert typical.loc[level, "low"] <= seconds <= typical.loc[level, "high"]


def test_gas_of_the_demo_holds_its_truth(studies: dict[str, FizzStudy]) -> None:
    told, study = TRUTH["binder"]["fizz_curves"], studies["binder"]
    assert isinstance(study.curves, GasFits)
    assert study.curves.common == "cube root"
    assert study.curves.not_fitted.empty
    assert len(study.curves.pieces) == 24
    assert isinstance(study.reached, Reached)
    for group in study.reached.groups:
        assert group.spent_low <= told["spent"] <= group.spent_high
    assert [group.group for group in study.reached.groups] == ["all batches", "0.6 g", "1.2 g", "1.8 g"]
    assert study.reached.groups[0].dissolved_g == pytest.approx(told["dissolved_g"], rel=0.02)
    assert isinstance(study.half_out, Compared)
    ratio, low, high, _, df = study.half_out.change(Amount("binder_g", "g"), 0.6, 1.8)
    assert low <= np.exp(1.2 * told["log_ratio_per_g"]) <= high
    assert low < ratio < high
    assert 8 < df < 11
    row = study.half_out.typical.iloc[0]
    assert row["low"] <= told["t50_s"] <= row["high"]


def test_the_splash_is_told_and_not_counted(studies: dict[str, FizzStudy]) -> None:
    run, piece = TRUTH["binder"]["blemishes"]["splash"]
    curves = studies["binder"].curves
    assert isinstance(curves, GasFits)
    splashed = curves.pieces[curves.pieces["splash_g"].abs() > 0]
    assert splashed[["run", "piece"]].to_numpy().tolist() == [[run, piece]]
    lines = worded.doubts(studies["binder"])
    assert any(f"Piece {piece} of batch {run}: 1.3 g went at once by 40 s" in line for line in lines)
    others = curves.pieces.loc[curves.pieces["run"] != run, "gas_g"]
    assert abs(splashed["gas_g"].iloc[0] - others.mean()) < 4 * others.std()


def test_the_shelf_of_the_demo_holds_its_truth(studies: dict[str, FizzStudy]) -> None:
    told, stored = TRUTH["season"]["shelf"], studies["season"].stored
    assert isinstance(stored, Stored)
    assert stored.measure == "gas_g"
    assert len(stored.rates) == 2
    for rate, (humidity, per_week) in zip(stored.rates, told["per_week"].items(), strict=True):
        assert abs(rate.rh_pct - float(humidity)) < 2
        assert rate.low <= per_week <= rate.high
    assert not isinstance(stored.humidity, CannotAnswer)
    slope = (told["per_week"]["70"] - told["per_week"]["35"]) / 3.5
    assert stored.humidity.low <= slope <= stored.humidity.high
    assert set(stored.left["storage"]) == {rate.storage for rate in stored.rates}
    assert stored.left["left"].between(0.5, 1.2).all()


def test_parts_without_a_table_are_absent(studies: dict[str, FizzStudy]) -> None:
    season, colour, binder = (studies[name] for name in ("season", "colour-ways", "binder"))
    assert season.lasting is season.colour is season.seen is season.curves is season.reached is None
    assert colour.curves is colour.half_out is colour.reached is colour.stored is None
    assert binder.lasting is binder.colour is binder.stored is None


def test_a_trial_without_fizz_tables_has_no_section(make_trial: MakeTrial) -> None:
    trial = load(make_trial())
    assert sections.fizzing(trial) is None
    assert sections.fizz(trial, None) == []
    assert sections.fizz_answer(trial, None) == []
    assert "fizz_times: none" in said(sections.fizz_readings(trial))


@pytest.mark.parametrize("name", ["season", "colour-ways", "binder"])
def test_the_top_holds_two_sentences_at_most(name: str) -> None:
    trial = load(shipped.demo(name))
    fizzed = sections.fizzing(trial)
    (notes,) = sections.fizz_answer(trial, fizzed)
    assert isinstance(notes, Notes)
    assert 1 <= len(notes.lines) <= 2
    assert all(line.endswith(".") and ". " not in line for line in notes.lines)


def test_the_section_of_each_demo(studies: dict[str, FizzStudy]) -> None:
    wanted = {
        "season": {"shelf-life"},
        "colour-ways": {"fizz-by-water", "colour-release"},
        "binder": {"gas-reached", "fizz-curves"},
    }
    for name, figures in wanted.items():
        trial = load(shipped.demo(name))
        pieces = sections.fizz(trial, Fizzed(studies[name], []))
        assert pieces[0] == "## Fizz"
        assert {piece.name for piece in pieces if isinstance(piece, Picture)} == figures
        topics = [f.topic for piece in pieces if isinstance(piece, Findings) for f in piece.findings]
        assert len(topics) == len(set(topics))
        assert "Hot water scalds" in said(pieces)


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


def test_no_difference_is_never_called_sameness() -> None:
    runs, times = invented(np.random.default_rng(3))
    study = study_fizz(runs, times, NONE, NONE, [COLOUR])
    assert isinstance(study.lasting, Compared)
    lake, water = worded.effect_findings(study.lasting, worded.LASTING, label)
    assert lake.low < 1 < lake.high
    assert lake.sentence.startswith(
        "No difference in how long pieces fizz could be shown between lake and pearl"
    )
    assert "the readings fit anything in this interval" in lake.sentence
    assert water.low < 1 < water.high
    assert "could not be shown" in water.sentence
    (top,) = worded.summary(study, label)
    assert "no difference to pearl could be shown for lake" in top
    for sentence in (lake.sentence, water.sentence, top):
        assert "same" not in sentence
        assert "equal" not in sentence


def test_a_clear_difference_is_said_with_its_interval() -> None:
    runs, times = invented(np.random.default_rng(4), lake=1.6)
    study = study_fizz(runs, times, NONE, NONE, [COLOUR])
    assert isinstance(study.lasting, Compared)
    lake = worded.effect_findings(study.lasting, worded.LASTING, label)[0]
    assert lake.low < 1.6 < lake.high
    assert lake.sentence.startswith("Pieces with lake fizzed longer than those with pearl:")
    assert (
        f"{lake.estimate:.2f} times as long (95 % interval {lake.low:.2f} to {lake.high:.2f})"
        in lake.sentence
    )


def test_a_bath_that_was_not_tried_is_marked() -> None:
    runs, times = invented(np.random.default_rng(5), low_c=20.0)
    study = study_fizz(runs, times, NONE, NONE, [COLOUR], at_water_c=38.0)
    assert isinstance(study.lasting, Compared)
    typical = worded.typical_findings(study.lasting, worded.LASTING)
    assert all(finding.beyond_tried for finding in typical)
    assert all("was not tried: this is the formula's guess" in finding.sentence for finding in typical)
    assert "not tried" in worded.summary(study, label)[0]
    assert any(line.startswith("Water of 38 °C was not tried") for line in worded.doubts(study))
    line = study.lasting.line()
    assert line["water_c"].max() == 38.0
    assert line.loc[line["water_c"] > 27, "beyond_tried"].all()


def test_one_basin_temperature_is_said_to_tell_nothing_of_warmth() -> None:
    runs, times = invented(np.random.default_rng(6))
    study = study_fizz(runs, times.assign(water_c=37.0), NONE, NONE, [COLOUR])
    assert isinstance(study.lasting, Compared)
    assert study.lasting.fit.water is None
    assert not [f for f in worded.effect_findings(study.lasting, worded.LASTING, label) if "water" in f.topic]
    assert any("what warmer water does is not known" in line for line in worded.doubts(study))


def test_levels_that_were_not_timed_are_left_out_with_a_word() -> None:
    runs, times = invented(np.random.default_rng(7))
    study = study_fizz(runs, times[times["run"].isin(runs["run"][::2])], NONE, NONE, [COLOUR])
    assert isinstance(study.lasting, Compared)
    assert study.lasting.fit.terms == ()
    assert any("Every batch had the same colour" in line for line in worded.doubts(study))
    assert study.lasting.typical["level"].tolist() == ["all batches"]


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
    study = study_fizz(runs, unfinished, flat, shelf, [COLOUR])
    assert isinstance(study.lasting, CannotAnswer)
    assert isinstance(study.colour, Compared)
    assert isinstance(study.curves, CannotAnswer)
    assert isinstance(study.stored, CannotAnswer)
    lines = "\n".join(worded.doubts(study))
    assert "How long pieces fizz cannot be compared. No piece was watched to the end." in lines
    assert "No fizz curve can be given. The cup lost too little for this scale to show how." in lines
    assert "How fast stored pieces lose their fizz cannot be told." in lines


def test_times_rounded_until_they_agree_give_no_numbers() -> None:
    runs, times = invented(np.random.default_rng(9))
    study = study_fizz(runs, times.assign(colour_s=5.0), NONE, NONE, [COLOUR])
    assert isinstance(study.lasting, Compared)
    assert isinstance(study.colour, CannotAnswer)
    assert any("no telling how far chance goes" in line for line in worded.doubts(study))
    by_batch = times.assign(seconds=times["run"].str[1:].astype(int) + 60.0)
    assert isinstance(study_fizz(runs, by_batch, NONE, NONE, [COLOUR]).lasting, CannotAnswer)


def test_parts_of_a_whole_in_plain_words() -> None:
    assert worded.part(0.2) == "about a fifth"
    assert worded.part(0.33) == "about a third"
    assert worded.part(0.03) == "3 %"
    assert worded.part(0.9) == "90 %"


# what the recipe could give ------------------------------------------------------------------------------


def binder_with(tmp_path: Path, change: Callable[[str], str]) -> Path:
    folder = Path(shutil.copytree(shipped.demo("binder"), tmp_path / "binder"))
    toml = folder / "trial.toml"
    toml.write_text(change(toml.read_text(encoding="utf-8")), encoding="utf-8")
    return folder


def without_theory(toml: str) -> str:
    return "\n".join(line for line in toml.splitlines() if not line.startswith("theory_g")) + "\n"


def test_theory_comes_from_the_recipe(tmp_path: Path) -> None:
    """50 g of citric acid (192.12 g/mol) turn 3 mol of soda each to gas: 34.36 g, tenth by ten pieces."""
    folder = binder_with(tmp_path, lambda toml: without_theory(toml) + RECIPE)
    fizzed = sections.fizzing(load(folder))
    assert fizzed is not None
    assert isinstance(fizzed.study.reached, Reached)
    assert fizzed.study.reached.groups[0].theory_g == pytest.approx(3 * 50 / 192.12 * 44.009 / 10, rel=1e-3)
    assert fizzed.assumed == []
    finding = worded.reached_findings(fizzed.study.reached.groups)[0]
    assert finding.sentence.startswith("More gas came than the recipe could give:")
    assert "Look at theory_g and water_ml" in finding.sentence


def test_a_recipe_by_cups_is_said_to_be_loose(tmp_path: Path) -> None:
    cups = RECIPE.replace("100 g", "1 cup").replace("50 g", "1/2 cup").replace("pieces = 10", "pieces = 6")
    fizzed = sections.fizzing(load(binder_with(tmp_path, lambda toml: without_theory(toml) + cups)))
    assert fizzed is not None
    (line,) = fizzed.assumed
    assert "is measured by volume" in line


def test_without_a_theory_the_report_asks_for_one(tmp_path: Path) -> None:
    trial = load(binder_with(tmp_path, without_theory))
    fizzed = sections.fizzing(trial)
    assert fizzed is not None
    assert fizzed.study.reached is None
    assert "What the recipe could give is not known: add theory_g" in said(sections.fizz(trial, fizzed))


def test_a_recipe_without_pieces_cannot_tell_the_gas_of_one(tmp_path: Path) -> None:
    toml = RECIPE.replace("pieces = 10\n", "")
    fizzed = sections.fizzing(load(binder_with(tmp_path, lambda old: without_theory(old) + toml)))
    assert fizzed is not None
    assert isinstance(fizzed.study.reached, CannotAnswer)
    assert any("does not say how many pieces" in line for line in worded.doubts(fizzed.study))
