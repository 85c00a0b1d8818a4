"""The drying study of the demo trials recovers their true values, and says what it could not use."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from fizzlab.errors import CannotAnswer
from fizzlab.report import parts as sections
from fizzlab.report.parts.drying import Drying
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

TRUTH = json.loads((shipped.DEMO / "truth.json").read_text())


def _dried(folder: Path) -> Drying:
    dried = sections.drying(load(folder))
    assert isinstance(dried, Drying), dried
    return dried


def _holds(row: dict[str, float], truth: float) -> bool:
    return row["low"] <= truth <= row["high"]


@pytest.mark.parametrize("name", ["season", "colour-ways", "binder"])
def test_demo_truth_lies_in_the_intervals(name: str) -> None:
    truth, fit = TRUTH[name], _dried(shipped.demo(name)).study.fit
    rows = fit.estimates.to_dict("index")
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
    weighed = sections.weighing(load(shipped.demo("colour-ways")))
    moisture = TRUTH["colour-ways"]["weighings"]["moisture_g"]
    table = weighed.dried.table.assign(level=weighed.dried.table["run"].map(weighed.levels))
    for level, grams in moisture.items():
        assert table[table["level"] == level]["moisture_g"].median() == pytest.approx(grams, rel=0.1)
    rows = weighed.model.fit.estimates.to_dict("index")
    assert _holds(rows["log vpd_kpa"], TRUTH["colour-ways"]["drying"]["vpd_slope"])


def test_forecasts_of_the_season_hold_the_true_quantile() -> None:
    from fizzlab.models import air

    truth = TRUTH["season"]["drying"]
    forecast = _dried(shipped.demo("season")).forecast.set_index("share")
    deficit = float(air.vapour_pressure_deficit_kpa(16, 70))
    median = truth["median_h"] * (deficit / truth["reference_vpd_kpa"]) ** truth["vpd_slope"]
    assert forecast.loc[0.5, "typical_low"] < median < forecast.loc[0.5, "typical_high"]
    assert (forecast["new_low"] < forecast["hours"]).all()
    assert (forecast["typical_high"] < forecast["new_high"]).all()


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
    dried = _dried(folder)
    for finding in dried.effects:
        assert finding.low < 1 < finding.high
        assert "could be shown" in finding.sentence
        assert "the readings fit anything in the 95 % interval" in finding.sentence
        assert "no difference between" not in finding.sentence.lower()
    assert any("There is no room log" in note for note in dried.study.notes)


def test_unknown_air_and_levels_are_told(make_trial: MakeTrial) -> None:
    dried = sections.drying(load(make_trial()))
    assert isinstance(dried, CannotAnswer)
    assert "batches are too few" in str(dried)


def test_batches_without_air_are_named_not_dropped_silently(tmp_path: Path) -> None:
    import shutil

    folder = shutil.copytree(shipped.demo("season"), tmp_path / "season")
    text = (folder / "runs.csv").read_text().replace("2025-10-20T09:00", "")
    (folder / "runs.csv").write_text(text)
    dried = _dried(folder)
    assert "The air of batch B02 is not known, so it is not counted here." in dried.study.notes
    assert dried.study.fit.n_batches == 12


def test_air_none_asks_for_no_log(tmp_path: Path) -> None:
    import shutil

    folder = shutil.copytree(shipped.demo("colour-ways"), tmp_path / "ways")
    toml = (folder / "trial.toml").read_text().replace('air = "vpd"', 'air = "rh and temperature"')
    (folder / "trial.toml").write_text(toml)
    dried = _dried(folder)
    assert [term.name for term in dried.study.air] == ["rh_pct", "temp_c"]
    assert dried.needed == []
    (folder / "trial.toml").write_text(toml.replace('"rh and temperature"', '"none"'))
    assert _dried(folder).study.air == ()
