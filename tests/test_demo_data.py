"""The demo trials are what their script makes, hold together, and have the blemishes they claim."""

from __future__ import annotations

import importlib.util
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from scipy.optimize import curve_fit

from fizzlab.models import air
from fizzlab.trial import folder as trial

DEMO = Path(__file__).parent.parent / "data" / "demo"
CODES = ("season", "colour-ways", "binder", "cores")
TRUTH: dict[str, Any] = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def make_demo() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "make_demo", module)  # dataclasses look their module up
        patch.setattr(sys, "dont_write_bytecode", True)  # the demo folder is shipped as it stands
        patch.syspath_prepend(str(DEMO))
        spec.loader.exec_module(module)
        yield module


@pytest.fixture(scope="module")
def remade(make_demo: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    make_demo.main(folder)
    return folder


@pytest.fixture(scope="module")
def trials() -> dict[str, trial.Trial]:
    return {code: trial.load(DEMO / code) for code in CODES}


def files(folder: Path) -> dict[str, bytes]:
    found = [*(each for code in CODES for each in (folder / code).glob("*")), folder / "truth.json"]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in found if path.is_file()}


def test_the_script_makes_what_is_there(remade: Path) -> None:
    new, old = files(remade), files(DEMO)
    assert sorted(new) == sorted(old)
    for name, content in new.items():
        if not name.endswith(".xlsx"):
            assert content == old[name], name


def test_a_second_run_makes_the_same_bytes(make_demo: ModuleType, remade: Path, tmp_path: Path) -> None:
    make_demo.main(tmp_path)
    assert files(tmp_path) == files(remade)


def test_the_workbook_holds_the_same_cells(remade: Path) -> None:
    """Cell by cell, since the bytes of a workbook also depend on the version of openpyxl."""

    def cells(folder: Path) -> dict[str, list[tuple[object, ...]]]:
        book = openpyxl.load_workbook(folder / "binder" / "readings.xlsx")
        return {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book}

    assert cells(remade) == cells(DEMO)
    assert list(cells(DEMO)) == ["runs", "touch_checks", "tumbles", "drops", "crumble_scores", "fizz_curves"]


def test_a_stream_depends_on_its_name_alone(make_demo: ModuleType) -> None:
    first = make_demo.stream("season", "touch_checks").random(3)
    make_demo.stream("season", "a table of tomorrow").random(100)
    assert (make_demo.stream("season", "touch_checks").random(3) == first).all()
    assert (make_demo.stream("season", "room_log").random(3) != first).all()


def test_the_folder_stays_small() -> None:
    assert sum(len(content) for content in files(DEMO).values()) < 600_000
    assert (DEMO / "season" / "room_log.csv").stat().st_size < 400_000


# shapes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "batches", "tables"),
    [
        ("season", 13, {"runs", "touch_checks", "shelf", "room_log"}),
        (
            "colour-ways",
            15,
            {"runs", "touch_checks", "weighings", "crumble_scores", "fizz_times", "room_log"},
        ),
        (
            "binder",
            12,
            {"runs", "touch_checks", "tumbles", "drops", "crumble_scores", "fizz_curves", "room_log"},
        ),
        ("cores", 17, {"runs", "touch_checks", "tumbles", "fizz_times", "room_log"}),
    ],
)
def test_shapes(trials: dict[str, trial.Trial], code: str, batches: int, tables: set[str]) -> None:
    found = trials[code]
    assert len(found.batches()) == batches
    assert {"runs", "touch_checks", "room_log"} <= tables <= set(found.tables)
    assert found.settings.code == code
    checks = found.rows("touch_checks")
    assert set(checks["run"]) == set(found.batches().index)
    assert (checks.groupby("run")["piece"].nunique() == 4).all()
    assert checks["hours"].between(1.0, 30.0).all()
    made = found.batches()["made_at"]
    assert made.between(pd.Timestamp("2025-10-01"), pd.Timestamp("2026-12-31")).all()
    assert made.is_monotonic_increasing


def test_every_level_once_a_day(trials: dict[str, trial.Trial]) -> None:
    for code, factor, days in (("colour-ways", "colour", 5), ("binder", "binder_g", 4)):
        counts = trials[code].batches().groupby(["day", factor]).size()
        assert len(counts) == 3 * days
        assert (counts == 1).all()
    orders = trials["colour-ways"].batches().groupby("day")["colour"].agg(tuple)
    assert orders.nunique() > 1


def test_the_binder_trial_shows_other_ways_to_keep_readings() -> None:
    text = (DEMO / "binder" / "room_log.csv").read_bytes().decode()
    assert text.startswith("time;temp_c;rh_pct\r\n")
    assert "," in text.splitlines()[1]
    book = openpyxl.load_workbook(DEMO / "binder" / "readings.xlsx")
    header = [cell.value for cell in next(book["touch_checks"].iter_rows())]
    assert "checked_at" in header
    assert "hours" not in header


def test_the_only_doubts_are_the_air_that_was_not_logged(trials: dict[str, trial.Trial]) -> None:
    for code, found in trials.items():
        about_air = [problem for problem in found.doubts if "room log covers" in problem.what]
        assert list(found.doubts) == about_air, code


# blemishes -----------------------------------------------------------------------------------------------


def windows_air(found: trial.Trial) -> pd.DataFrame:
    windows = air.drying_windows(found.rows("touch_checks"), found.rows("weighings"), found.batches())
    return air.drying_air(found.rows("room_log"), windows)


def last_looks(found: trial.Trial) -> pd.DataFrame:
    return found.rows("touch_checks").groupby(["run", "piece"]).last()


def test_a_spilled_batch_is_left_out_with_its_reason(trials: dict[str, trial.Trial]) -> None:
    run = TRUTH["season"]["blemishes"]["spilled"]
    left_out = trials["season"].left_out()
    assert run not in trials["season"].batches().index
    assert left_out.loc[left_out["table"] == "runs", "run"].tolist() == [run]
    assert "knocked off" in left_out.loc[left_out["table"] == "runs", "reason"].iloc[0]


def test_a_night_without_a_look_for_nine_hours(trials: dict[str, trial.Trial]) -> None:
    checks = trials["season"].rows("touch_checks")
    hours = checks.loc[checks["run"] == TRUTH["season"]["blemishes"]["late_night"], "hours"].unique()
    assert np.diff(np.sort(hours)).max() == pytest.approx(9.0)


def test_the_hygrometer_gaps_are_felt(trials: dict[str, trial.Trial]) -> None:
    season = windows_air(trials["season"])
    assert 0.4 < season.loc[TRUTH["season"]["blemishes"]["flat_battery"], "coverage"] < 0.8
    assert (season["coverage"] < 0.999).sum() == 1
    colour = windows_air(trials["colour-ways"])
    flat = colour.index[colour["coverage"] < 0.999]
    assert list(flat) == TRUTH["colour-ways"]["blemishes"]["flat_battery"]
    steps = trials["binder"].rows("room_log")["time"].diff().max()
    assert steps > pd.Timedelta(hours=6)


@pytest.mark.parametrize("code", ["season", "binder"])
def test_one_piece_was_never_seen_dry(trials: dict[str, trial.Trial], code: str) -> None:
    last = last_looks(trials[code])
    wet = last.index[~last["dry"].astype(bool)]
    assert list(wet) == [tuple(TRUTH[code]["blemishes"]["never_dry"])]
    assert last.loc[wet[0], "note"] != ""


@pytest.mark.parametrize("code", CODES)
def test_some_looks_were_missed(trials: dict[str, trial.Trial], code: str) -> None:
    checks = trials[code].rows("touch_checks")
    missed = 0
    for _, of_batch in checks.groupby("run"):
        looked = set(of_batch["hours"])
        for _, of_piece in of_batch.groupby("piece"):
            missed += len([h for h in looked - set(of_piece["hours"]) if h < of_piece["hours"].max()])
    assert 0.01 * len(checks) < missed < 0.12 * len(checks)


def test_single_readings_are_left_out_with_a_reason(trials: dict[str, trial.Trial]) -> None:
    slips = trials["colour-ways"].left_out()
    assert slips["table"].tolist() == ["weighings"]
    wrong = trials["binder"].left_out()
    assert wrong["table"].tolist() == ["touch_checks"]
    assert (slips["reason"] != "").all()
    assert (wrong["reason"] != "").all()


def test_the_readme_names_the_batches_it_means() -> None:
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    season, colour, binder, cores = (TRUTH[code]["blemishes"] for code in CODES)
    for place in (
        f"| `season` {season['spilled']} | tray",
        f"| `season` {season['flat_battery']} | hygrometer",
        f"| `season` {season['never_dry'][0]} | one piece",
        f"| `season` {season['late_night']} | pressed late",
        f"| `colour-ways` {colour['slip']} | one weighing",
        f"| `colour-ways` {colour['flat_battery'][0]} to {colour['flat_battery'][-1]} | hygrometer",
        f"| `binder` {binder['never_dry'][0]} | one piece",
        f"| `binder` {binder['wrong_tray']} | one look",
        f"| `binder` {binder['splash'][0]} | one cup splashed",
        f"| `cores` {cores['one_tumble']} | tumbled once",
        f"| `cores` {cores['lost']} | the bowl",
        f"| `cores` {cores['no_foam']} | no foam",
    ):
        assert place in readme


def test_a_piece_was_missed_by_a_rater(trials: dict[str, trial.Trial]) -> None:
    for code in ("colour-ways", "binder"):
        told = TRUTH[code]["crumble_scores"]
        scores = trials[code].rows("crumble_scores")
        counted = scores.groupby(["run", "piece", "rater"]).size().unstack("rater")
        missing = counted.isna().stack()
        rater, run, piece = told["missed"]
        assert list(missing.index[missing]) == [(run, piece, rater)]
        assert set(counted.columns) == set(told["leans"])


def test_one_rater_of_the_colour_ways_runs_high(trials: dict[str, trial.Trial]) -> None:
    leans = TRUTH["colour-ways"]["crumble_scores"]["leans"]
    means = trials["colour-ways"].rows("crumble_scores").groupby("rater")["score"].mean()
    assert means.idxmax() == max(leans, key=lambda rater: leans[rater])


def test_drops_go_down_after_a_break_and_up_after_a_hold(trials: dict[str, trial.Trial]) -> None:
    for _, drops in trials["binder"].rows("drops").sort_values("order").groupby("run"):
        moves = drops["height_cm"].diff().shift(-1).dropna()
        assert (moves == np.where(drops["broke"].astype(bool), -10, 10)[:-1]).all()


# truth ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", CODES)
def test_every_look_agrees_with_what_was_true(trials: dict[str, trial.Trial], code: str) -> None:
    checks = trials[code].rows("touch_checks")
    true_h = [
        TRUTH[code]["batches"][run]["pieces_h"][piece]
        for run, piece in checks[["run", "piece"]].itertuples(index=False)
    ]
    assert ((checks["hours"] >= true_h) == checks["dry"].astype(bool)).all()


@pytest.mark.parametrize("code", CODES)
def test_true_times_follow_the_stated_law(trials: dict[str, trial.Trial], code: str) -> None:
    told = TRUTH[code]
    drying = told["drying"]
    batches = trials[code].batches()
    for run, batch in told["batches"].items():
        ratio = 1.0
        if code == "colour-ways":
            ratio = told["ratios"][batches.loc[run, "colour"]]
        elif code == "binder":
            ratio = np.exp(told["log_ratio_per_g"] * (batches.loc[run, "binder_g"] - 1.2))
        elif code == "cores":
            if run == told["blemishes"]["lost"]:
                continue
            binder, colour = batches.loc[run, ["binder", "colour"]]
            ratio = drying["ratios"]["binder"][binder] * drying["ratios"]["colour"][colour]
        due = drying["median_h"] * (batch["vpd_kpa"] / drying["reference_vpd_kpa"]) ** drying["vpd_slope"]
        assert batch["median_h"] == pytest.approx(due * ratio * np.exp(batch["effect"]), rel=2e-3)


@pytest.mark.parametrize("code", CODES)
def test_logged_air_is_near_the_true_air(trials: dict[str, trial.Trial], code: str) -> None:
    logged = windows_air(trials[code])
    true_vpd = pd.Series({run: batch["vpd_kpa"] for run, batch in TRUTH[code]["batches"].items()})
    # the batches of a day share one window, the truth's ends at each median dry time, and the dial shows whole
    # per cent; what that adds to the scatter of days must be small beside the scatter that batches have
    days = trials[code].batches()["day"].reindex(logged.index)
    apart = np.log(logged["vpd_kpa"] / true_vpd.reindex(logged.index)).groupby(days).mean()
    drying = TRUTH[code]["drying"]
    assert abs(drying["vpd_slope"]) * np.sqrt((apart**2).mean()) < drying["tau"] / 3


def test_weighings_give_the_page_curve_back(trials: dict[str, trial.Trial]) -> None:
    """Each weighed piece fitted by itself with scipy; the mean exponent within three standard errors."""
    told = TRUTH["colour-ways"]["weighings"]

    def page(h: np.ndarray, final: float, moisture: float, rate: float, exponent: float) -> np.ndarray:
        return final + moisture * np.exp(-rate * h**exponent)

    exponents, shares = [], []
    for (run, piece), rows in trials["colour-ways"].rows("weighings").groupby(["run", "piece"]):
        hours, mass = rows["hours"].to_numpy(float), rows["mass_g"].to_numpy(float)
        start = (mass[-1], mass[0] - mass[-1], 0.3, 1.0)
        found, _ = curve_fit(page, hours, mass, p0=start, bounds=(0.0, [200.0, 10.0, 5.0, 3.0]))
        exponents.append(found[3])
        felt_dry = TRUTH["colour-ways"]["batches"][run]["pieces_h"][piece]
        shares.append(np.exp(-found[2] * felt_dry ** found[3]))
    for values, true_value in ((exponents, told["exponent"]), (shares, told["touch_dry_share"])):
        error = np.std(values, ddof=1) / np.sqrt(len(values))
        assert abs(np.mean(values) - true_value) < 3 * error
        assert error < 0.05 * true_value


def test_some_pieces_still_fizz_when_the_watching_ends(trials: dict[str, trial.Trial]) -> None:
    times, told = trials["colour-ways"].rows("fizz_times"), TRUTH["colour-ways"]["fizz_times"]
    going = ~times["done"].astype(bool)
    assert going.sum() == 8
    assert (times.loc[going, "seconds"] == told["watched_s"]).all()
    assert (times.loc[~going, "seconds"] <= told["watched_s"]).all()
    assert times["water_c"].between(34, 40).all()
    assert (times.groupby("run").size() == 3).all()


def test_a_cup_splashed_and_all_dry_up(trials: dict[str, trial.Trial]) -> None:
    curves, told = trials["binder"].rows("fizz_curves"), TRUTH["binder"]["fizz_curves"]
    run, piece = TRUTH["binder"]["blemishes"]["splash"]
    lost, late = {}, []
    for key, rows in curves.groupby(["run", "piece"]):
        mass = rows.set_index("seconds")["mass_g"]
        lost[key] = mass[30] - mass[40]
        late.append((mass[210] - mass[300]) / 1.5)
    assert max(lost, key=lambda key: lost[key]) == (run, piece)
    assert len(lost) == 24
    error = np.std(late, ddof=1) / np.sqrt(len(late))
    assert abs(np.mean(late) - told["drift_g_min"]) < 3 * error


def test_stored_fizz_falls_as_it_was_told(trials: dict[str, trial.Trial]) -> None:
    """The mean of the batches' own rates by straight lines, within three standard errors."""
    told, shelf = TRUTH["season"]["shelf"], trials["season"].rows("shelf")
    fresh = shelf[shelf["weeks"] == 0].set_index("run")["gas_g"]
    assert set(fresh.index) == set(trials["season"].batches().index)
    for humidity, rate in told["per_week"].items():
        near = shelf[(shelf["rh_pct"] - float(humidity)).abs() < 5]
        own = [
            -np.polyfit([0, *rows["weeks"]], np.log([fresh[run], *rows["gas_g"]]), 1)[0]
            for run, rows in near.groupby("run")
        ]
        assert abs(np.mean(own) - rate) < 3 * np.std(own, ddof=1) / np.sqrt(len(own))
