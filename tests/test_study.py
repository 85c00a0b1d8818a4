"""The drying study of the demo trials recovers their true values, and says what it could not use."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import CuringFit, study_touch
from fizzlab.models.weighing import study_weighings
from fizzlab.report import parts as sections
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Notes
from fizzlab.trial import shipped
from fizzlab.trial.folder import Trial, load

MakeTrial = Callable[..., Path]

TRUTH = json.loads((shipped.DEMO / "truth.json").read_text())


def _options(trial: Trial) -> dict[str, Any]:
    wanted = trial.settings.drying
    point = wanted.forecast_air
    return {"air": wanted.air, "forecast_air": None if point is None else (point.temp_c, point.rh_pct)}


def _tables(trial: Trial) -> dict[str, pd.DataFrame]:
    return {name: trial.rows(name) for name in ("runs", "touch_checks", "weighings", "room_log")}


def _dried(folder: Path) -> CuringFit:
    trial = load(folder)
    return study_touch(_tables(trial), trial.settings.terms(), **_options(trial)).fits["dry_h"]


def _holds(row: dict[str, float], truth: float) -> bool:
    return row["conf_low"] <= truth <= row["conf_high"]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["season", "colour-ways", "binder"])
def test_demo_truth_lies_in_the_intervals(name: str) -> None:
    truth, fit = TRUTH[name], _dried(shipped.demo(name))
    rows = fit.coefficients.to_dict("index")
    known = {"log vpd_kpa": truth["drying"]["vpd_slope"]}
    known |= {
        f"colour[{level}]": np.log(ratio) for level, ratio in truth.get("ratios", {}).items() if ratio != 1
    }
    if "log_ratio_per_g" in truth:
        known["binder_g"] = truth["log_ratio_per_g"]
    assert set(known) == set(rows) - {"intercept"}
    for column, value in known.items():
        assert _holds(rows[column], value), column
    assert 0.5 * truth["drying"]["sigma"] < fit.sigma < 2 * truth["drying"]["sigma"]


def test_weighings_of_the_demo_agree_with_its_truth() -> None:
    trial = load(shipped.demo("colour-ways"))
    study = study_weighings(_tables(trial), trial.settings.terms(), **_options(trial))
    moisture = TRUTH["colour-ways"]["weighings"]["moisture_g"]
    table = study.pieces
    for level, grams in moisture.items():
        assert table[table["level"] == level]["moisture_g"].median() == pytest.approx(grams, rel=0.1)
    rows = study.fits["weighed_dry_h"].coefficients.to_dict("index")
    assert _holds(rows["log vpd_kpa"], TRUTH["colour-ways"]["drying"]["vpd_slope"])


def test_forecasts_of_the_season_hold_the_true_quantile() -> None:
    truth = TRUTH["season"]["drying"]
    fit = _dried(shipped.demo("season"))
    deficit = float(vapour_pressure_deficit(16, 70))
    assert fit.typical["vpd_kpa"] == pytest.approx(deficit)
    median = truth["median_h"] * (deficit / truth["reference_vpd_kpa"]) ** truth["vpd_slope"]
    row = fit.predict().iloc[0]
    assert row["conf_low"] < median < row["conf_high"]


def test_no_difference_is_never_called_sameness(make_trial: MakeTrial) -> None:
    runs, touch = ["run,day,made_at,colour,binder_g"], ["run,piece,hours,dry"]
    random = np.random.default_rng(5)
    for i in range(12):
        runs.append(
            f"R{i},{i},2026-02-{i + 1:02d}T09:00,{'dye' if i % 2 else 'pearl'},{0.6 if i % 4 < 2 else 1.2}"
        )
        for piece in range(4):
            hours = 6 * np.exp(0.3 * random.standard_normal())
            touch += [
                f"R{i},{piece},{look},{'yes' if hours < look else 'no'}"
                for look in (2, 4, 5, 6, 7, 8, 10, 24)
            ]
    folder = make_trial(
        runs__csv="\n".join(runs) + "\n", touch_checks__csv="\n".join(touch) + "\n", room_log__csv=None
    )
    fit = _dried(folder)
    assert len(fit.effects) == 2
    assert not any(effect.shown or effect.same for effect in fit.effects)
    assert any("There is no room log" in note for note in fit.notes)


def test_unknown_air_and_levels_are_told(make_trial: MakeTrial) -> None:
    done = analyse(load(make_trial()))
    assert "batches are too few" in str(done.reasons["dry_h"])
    assert "dry_h" not in done.fits
    assert any(isinstance(piece, Notes) for piece in sections.drying(done))


def test_batches_without_air_are_named_not_dropped_silently(tmp_path: Path) -> None:
    import shutil

    folder = shutil.copytree(shipped.demo("season"), tmp_path / "season")
    text = (folder / "runs.csv").read_text().replace("2025-10-20T09:00", "")
    (folder / "runs.csv").write_text(text)
    fit = _dried(folder)
    assert "The air of batch B02 is not known, so it is not counted here." in fit.notes
    assert fit.n_batches == 12


def test_air_none_asks_for_no_log(tmp_path: Path) -> None:
    import shutil

    folder = shutil.copytree(shipped.demo("colour-ways"), tmp_path / "ways")
    toml = (folder / "trial.toml").read_text()
    assert [term.name for term in _dried(folder).air] == ["vpd_kpa"]
    (folder / "trial.toml").write_text(toml.replace('air = "vpd"', 'air = "none"'))
    assert _dried(folder).air == ()


@pytest.mark.slow
def test_every_combination_that_was_made_is_forecast_and_none_held_at_a_control() -> None:
    done = analyse(load(shipped.demo("cores")), ["dry_h"])
    fit = done.fits["dry_h"]
    found = [f for piece in sections.drying(done) for f in getattr(piece, "findings", ())]
    made = fit.made()
    assert len(made) == 6
    share = max(done.trial.settings.drying.shares)
    for row in made.to_dict("records"):
        told = next(f for f in found if f.topic == f"dry_time.forecast[{row['binder']} and {row['colour']}]")
        assert told.estimate == pytest.approx(float(fit.predict(row, share=share)["estimate"].iloc[0]))
    assert {"binder:colour"} <= set(done.joint["dry_h"].joint)


@pytest.mark.slow
def test_a_joint_effect_that_is_shown_is_used_in_forecasts(make_trial: MakeTrial) -> None:
    runs, touch = ["run,day,made_at,colour,binder_g"], ["run,piece,hours,dry"]
    random = np.random.default_rng(5)
    for i in range(16):
        dye, more = i % 2, i % 4 > 1
        runs.append(f"R{i},{i},,{'dye' if dye else 'pearl'},{1.2 if more else 0.6}")
        for piece in range(4):
            hours = 6 * np.exp(0.8 * (dye and more) + 0.1 * random.standard_normal())
            looks = (2, 4, 5, 6, 7, 8, 10, 12, 14, 18, 24)
            touch += [f"R{i},{piece},{look},{'yes' if hours < look else 'no'}" for look in looks]
    folder = make_trial(
        runs__csv="\n".join(runs) + "\n", touch_checks__csv="\n".join(touch) + "\n", room_log__csv=None
    )
    done = analyse(load(folder), ["dry_h"])
    assert done.depends("dry_h")
    ends = [done.forecasting("dry_h").predict({"colour": "dye", "binder_g": g}) for g in (0.6, 1.2)]
    assert float(ends[1]["estimate"].iloc[0] / ends[0]["estimate"].iloc[0]) > 1.8
    told = [f.sentence for piece in sections.drying(done) for f in getattr(piece, "findings", ())]
    assert any("depends on" in each for each in told)


def test_a_report_tells_each_forecast_once() -> None:
    done: Analysis = analyse(load(shipped.demo("season")))
    pieces = sections.drying(done)
    found = [f for piece in pieces for f in getattr(piece, "findings", ())]
    assert len({f.topic for f in found}) == len(found)
    share = max(done.trial.settings.drying.shares)
    row = done.fits["dry_h"].predict(share=share).iloc[0]
    told = next(f for f in found if f.topic == "dry_time.forecast[all batches]")
    assert (told.estimate, told.low, told.high) == tuple(row[["estimate", "conf_low", "conf_high"]])
    assert len([f for f in found if f.topic.startswith("dry_time.needed")]) == 1
