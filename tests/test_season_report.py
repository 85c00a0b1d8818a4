"""Earlier trials of one workshop: found at the door, pooled with this one, and charted over time."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fizzlab.errors import BadInput
from fizzlab.models.curing import VPD, CuringFit, fit_curing_time
from fizzlab.models.season import study_season
from fizzlab.report import parts as sections
from fizzlab.report.analysis import analyse
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.trial.folder import Trial, load

LOOKS = np.array([2.0, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 18, 24])
LOG_HOURS, SLOPE, AT = np.log(7.0), -0.8, 0.55


def tables(
    rng: np.random.Generator,
    start: str,
    batches: int = 6,
    shift: float = 0.0,
    *,
    per_day: int = 1,
    rooms: tuple[float, float] = (45, 80),
    notes: dict[int, str] | None = None,
) -> dict[str, pd.DataFrame]:
    """Tables of one invented trial: a day every third day, its air steady, four pieces a batch."""
    runs, looks, log = [], [], []
    for i in range(batches):
        made = pd.Timestamp(start) + pd.Timedelta(days=3 * (i // per_day), hours=9)
        if i % per_day == 0:
            rh, stray = rng.uniform(*rooms), 0.08 * rng.standard_normal()
            log += [(made + pd.Timedelta(hours=h), 18.0, rh) for h in range(-9, 30)]
        vpd = 2.0645 * (1 - rh / 100)
        middle = LOG_HOURS + shift + SLOPE * np.log(vpd / AT) + stray + 0.05 * rng.standard_normal()
        run = f"B{i + 1:02d}"
        runs.append((run, f"{made:%Y-%m-%d}", made, (notes or {}).get(i, "")))
        for piece in range(1, 5):
            hours = np.exp(middle + 0.08 * rng.standard_normal())
            looks += [(run, piece, look, bool(look >= hours)) for look in LOOKS]
    return {
        "runs": pd.DataFrame(runs, columns=["run", "day", "made_at", "note"]),
        "touch_checks": pd.DataFrame(looks, columns=["run", "piece", "hours", "dry"]),
        "room_log": pd.DataFrame(log, columns=["time", "temp_c", "rh_pct"]),
    }


def studied(made: dict[str, pd.DataFrame]) -> CuringFit:
    return fit_curing_time(made["touch_checks"], runs=made["runs"], room_log=made["room_log"])


def write(folder: Path, made: dict[str, pd.DataFrame], more: str = "") -> Path:
    folder.mkdir(parents=True)
    toml = f'code = "{folder.name}"\ntitle = "Of {folder.name}"\nquestion = "How long?"\n{more}'
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    for name, table in made.items():
        text = table.replace({True: "yes", False: "no"}) if name == "touch_checks" else table
        text.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%dT%H:%M")
    return folder


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four trials of one workshop, and a fifth that comes after them."""
    home = tmp_path_factory.mktemp("workshop")
    rng = np.random.default_rng(11)
    for i, name in enumerate(("spring", "summer", "autumn", "winter")):
        write(home / name, tables(rng, f"2025-{2 * i + 2:02d}-01", shift=0.1 * (-1) ** i))
    air = "\n[drying]\nforecast_air = { temp_c = 18, rh_pct = 70 }\n"
    write(home / "now", tables(rng, "2025-10-01"), air + '\n[earlier]\ntrials = [".."]\n')
    write(home / "later", tables(rng, "2025-12-01"))
    return home


def section(trial: Trial) -> list[object]:
    return sections.season(analyse(trial))


def said(pieces: list[object]) -> str:
    """Everything that a reader would read."""
    parts = []
    for piece in pieces:
        if isinstance(piece, Findings):
            parts += [finding.sentence for finding in piece.findings]
        elif isinstance(piece, Notes):
            parts += piece.lines
        elif isinstance(piece, Grid):
            parts += [piece.caption, piece.rows.to_string()]
        elif isinstance(piece, Picture):
            parts += [piece.caption, piece.alt]
        else:
            parts.append(str(piece))
    return "\n".join(parts)


def findings(pieces: list[object]) -> dict[str, object]:
    return {f.topic: f for piece in pieces if isinstance(piece, Findings) for f in piece.findings}


# at the door ---------------------------------------------------------------------------------------


def earlier(folder: Path, *names: str) -> Path:
    toml = folder / "trial.toml"
    kept = toml.read_text(encoding="utf-8").split("\n[earlier]")[0]
    listed = ", ".join(f'"{name}"' for name in names)
    toml.write_text(f"{kept}\n[earlier]\ntrials = [{listed}]\n", encoding="utf-8")
    return folder


@pytest.fixture
def two(tmp_path: Path) -> Path:
    rng = np.random.default_rng(5)
    write(tmp_path / "autumn", tables(rng, "2025-09-01"))
    return write(tmp_path / "now", tables(rng, "2026-01-01"))


def test_a_season_folder_gives_the_trials_begun_before(workshop: Path) -> None:
    trial = load(workshop / "now")
    assert sorted(each.settings.code for each in trial.earlier) == ["autumn", "spring", "summer", "winter"]
    assert [passed.name for passed in trial.passed] == ["../later"]
    assert "2025-12-01" in trial.passed[0].why
    assert not trial.doubts


def test_earlier_files_belong_to_the_inputs(two: Path) -> None:
    trial = load(earlier(two, "../autumn"))
    from fizzlab.records import fingerprints

    names = fingerprints(trial.folder, trial.inputs)
    assert {"runs.csv", "../autumn/runs.csv", "../autumn/trial.toml"} <= set(names)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../nowhere", "“../nowhere” is no folder"),
        ("runs.csv", "is a file, not the folder of a trial"),
        ("../now", "is this trial itself"),
        ("../empty", "holds no trial.toml, nor do its sub-folders"),
    ],
)
def test_a_name_that_leads_nowhere_is_a_problem(two: Path, name: str, words: str) -> None:
    (two.parent / "empty").mkdir()
    with pytest.raises(BadInput, match=r"earlier\.trials") as raised:
        load(earlier(two, "../autumn", name))
    assert words in str(raised.value)
    assert len(raised.value.problems) == 1


def test_all_wrong_names_are_told_with_the_other_problems(two: Path) -> None:
    (two / "runs.csv").write_text("run,day\nB01,\n", encoding="utf-8")
    with pytest.raises(BadInput) as raised:
        load(earlier(two, "../a", "../b"))
    assert {"../a", "../b"} <= {
        word for p in raised.value.problems for word in p.what.split("”")[0].split("“")
    }
    assert any(problem.where == "runs.csv" for problem in raised.value.problems)


@pytest.mark.parametrize("section", ["trials = []", "trails = ['../autumn']", "trials = '../autumn'"])
def test_a_wrong_section_is_a_problem(two: Path, section: str) -> None:
    toml = two / "trial.toml"
    toml.write_text(toml.read_text() + f"\n[earlier]\n{section}\n")
    with pytest.raises(BadInput, match="earlier"):
        load(two)


def test_a_trial_named_twice_counts_once(two: Path) -> None:
    assert len(load(earlier(two, "../autumn", "../autumn/", "..")).earlier) == 1


def test_a_broken_earlier_trial_stops_nothing(two: Path) -> None:
    (two.parent / "autumn" / "runs.csv").write_text("run,day\nB01,\n", encoding="utf-8")
    trial = load(earlier(two, "../autumn"))
    assert not trial.earlier
    assert [doubt.what for doubt in trial.doubts] == ["the earlier trial “../autumn” is not counted."]
    assert "cannot be read" in trial.passed[0].why
    assert "../autumn" in said(section(trial))


def test_trials_that_name_each_other_do_not_turn_in_circles(two: Path) -> None:
    earlier(two.parent / "autumn", "../now", "../long-gone")
    assert [each.earlier for each in load(earlier(two, "../autumn")).earlier] == [()]


def test_without_the_section_nothing_is_read_or_shown(two: Path) -> None:
    trial = load(two)
    assert (trial.earlier, trial.passed) == ((), ())
    assert all(path.parent == two for path in trial.inputs)
    assert section(trial) == []


def test_the_first_trial_of_a_season_says_so(two: Path) -> None:
    first = earlier(two.parent / "autumn", "..")
    assert "no earlier trial yet" in said(section(load(first)))


# pooled --------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_section_tells_the_numbers_of_the_study(workshop: Path) -> None:
    done = analyse(load(workshop / "now"))
    across = sections.across_trials(done)
    assert across is not None
    study = across.study
    assert study is not None
    assert study.fit is not None
    assert list(across.trials) == ["spring", "summer", "autumn", "winter", "now"]
    pieces = sections.season(done)
    found = findings(pieces)
    row = study.fit.predict({VPD: study.asked}).iloc[0]
    pooled = found["season.forecast"]
    assert [pooled.estimate, pooled.low, pooled.high] == row[["estimate", "conf_low", "conf_high"]].tolist()  # type: ignore[attr-defined]
    own = done.fits["dry_h"].predict().iloc[0]
    alone = found["season.this_trial"]
    assert alone.low == pytest.approx(own["conf_low"])  # type: ignore[attr-defined]
    assert found["season.night"].estimate == study.fit.chance_dry(study.asked, 12.0)  # type: ignore[attr-defined]
    text = said(pieces)
    assert "18 °C and 70 % humidity" in text
    assert "same recipe" in text
    assert "../later" in text
    assert [piece.name for piece in pieces if isinstance(piece, Picture)] == ["season-lines", "drift-days"]


@pytest.mark.slow
def test_air_that_no_trial_met_is_marked(workshop: Path) -> None:
    trial = load(workshop / "now")
    damp = trial.settings.drying.forecast_air.model_copy(update={"rh_pct": 96.0})  # type: ignore[union-attr]
    drying = trial.settings.drying.model_copy(update={"forecast_air": damp})
    trial = dataclasses.replace(trial, settings=trial.settings.model_copy(update={"drying": drying}))
    found = findings(section(trial))
    assert found["season.forecast"].beyond_tried  # type: ignore[attr-defined]
    assert "not met in any trial" in found["season.forecast"].sentence  # type: ignore[attr-defined]


@pytest.mark.slow
def test_two_trials_are_not_pooled_and_it_is_said_what_that_hides(two: Path) -> None:
    pieces = section(load(earlier(two, "../autumn")))
    text = said(pieces)
    assert "There are 2 trials, too few to see how much they differ." in text
    assert "how a new trial would dry is not known" in text
    assert findings(pieces)["season.forecast"].estimate is None  # type: ignore[attr-defined]
    assert "season.between" not in findings(pieces)


@pytest.mark.slow
def test_trials_without_looks_or_air_are_left_out_with_the_reason(workshop: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    write(tmp_path / "no-log", {k: v for k, v in tables(rng, "2025-01-02").items() if k != "room_log"})
    write(tmp_path / "no-looks", {k: v for k, v in tables(rng, "2025-01-02").items() if k != "touch_checks"})
    folder = write(tmp_path / "now", tables(rng, "2026-01-01"))
    pieces = section(load(earlier(folder, "../no-log", "../no-looks", str(workshop / "spring"))))
    grid = [piece for piece in pieces if isinstance(piece, Grid)][-1].rows
    assert dict(zip(grid["trial"], grid["why"], strict=True)) == {
        "no-log": "The air of its batches is not known.",
        "no-looks": "It has no touch checks.",
    }


@pytest.mark.slow
def test_a_trial_too_small_to_fit_still_gets_the_others_forecast(workshop: Path, tmp_path: Path) -> None:
    folder = write(tmp_path / "now", tables(np.random.default_rng(3), "2026-01-01", batches=1))
    names = [str(workshop / name) for name in ("spring", "summer", "autumn")]
    pieces = section(load(earlier(folder, *names)))
    found = findings(pieces)
    assert "season.this_trial" not in found
    assert found["season.forecast"].low < 7.0 < found["season.forecast"].high  # type: ignore[attr-defined]
    assert "this trial" in [piece for piece in pieces if isinstance(piece, Grid)][-1].rows["trial"].tolist()


def test_two_trials_of_one_code_are_told_apart(workshop: Path, tmp_path: Path) -> None:
    folder = write(tmp_path / "spring", tables(np.random.default_rng(3), "2026-01-01"))
    trial = load(earlier(folder, str(workshop / "spring"), str(workshop / "summer")))
    across = sections.across_trials(analyse(trial))
    assert across is not None
    assert list(across.trials) == ["spring", "summer", "spring (spring)"]


@pytest.mark.slow
def test_pooling_small_trials_narrows_and_holds() -> None:
    """Five workshops of six trials of five batches, trials differing by 0.05 (log): one truth for all."""
    rng = np.random.default_rng(20)
    held, narrower = [], []
    for _ in range(5):
        studies = {
            str(i): studied(tables(rng, "2025-01-01", 5, shift=0.05 * rng.standard_normal(), rooms=(50, 78)))
            for i in range(6)
        }
        season = study_season(studies, asked=AT)
        assert season.fit is not None
        row = season.fit.predict({VPD: AT}).iloc[0]
        held.append(row["conf_low"] <= 7.0 <= row["conf_high"])
        alone = np.log((season.alone["conf_high"] / season.alone["conf_low"]).astype(float))
        narrower.append(float(np.log(row["conf_high"] / row["conf_low"]) / np.median(alone)))
    assert sum(held) >= 4
    assert np.median(narrower) < 1.0


# drift ---------------------------------------------------------------------------------------------


def test_a_new_sack_shows_and_its_day_is_named() -> None:
    rng = np.random.default_rng(6)
    before = {f"t{i}": studied(tables(rng, f"2025-{2 * i + 1:02d}-01", 7)) for i in range(3)}
    after = studied(tables(rng, "2025-08-01", 8, shift=0.6, notes={0: "new sack of soda"}))
    season = study_season({**before, "sacked": after})
    assert season.drift is not None
    assert season.drift.signals
    from fizzlab.report.parts.season import drift_findings

    said = " ".join(finding.sentence for finding in drift_findings(season, season.drift)[1:])
    assert "B01 of sacked" in said
    assert "“new sack of soda”" in said


def test_points_undo_the_air_and_stay_inside_what_was_seen() -> None:
    """Batches in very different air come out alike, and a day of several batches is one point."""
    rng = np.random.default_rng(8)
    season = study_season(
        {f"t{i}": studied(tables(rng, f"2025-0{i + 1}-01", 8, per_day=2)) for i in range(3)}
    )
    assert len(season.points) == 12
    assert len(season.batches) == 24
    assert season.batches["hours"].max() / season.batches["hours"].min() > 1.5
    assert np.log(season.points["hours"]).std() < 0.2
    assert season.points["hours"].mean() == pytest.approx(7.0 * (season.at / AT) ** SLOPE, rel=0.1)


def test_a_batch_never_seen_dry_has_an_open_bar_and_a_point_of_the_model() -> None:
    rng = np.random.default_rng(9)
    made = {f"t{i}": tables(rng, f"2025-0{i + 1}-01", 5) for i in range(3)}
    looks = made["t1"]["touch_checks"]
    made["t1"]["touch_checks"] = looks[(looks["run"] != "B03") | (looks["hours"] <= 3)].assign(
        dry=lambda table: table["dry"] & (table["run"] != "B03")
    )
    season = study_season({name: studied(each) for name, each in made.items()})
    open_ended = season.batches[np.isinf(season.batches["high"])]
    assert open_ended[["trial", "run"]].to_numpy().tolist() == [["t1", "B03"]]
    assert np.isfinite(season.points["hours"]).all()
    assert open_ended["hours"].iloc[0] > 3.0


def test_a_batch_is_placed_inside_the_brackets_of_its_pieces() -> None:
    fit = studied(tables(np.random.default_rng(12), "2025-01-01", 9))
    placed = study_season({"only": fit}).batches.set_index("run")["hours"]
    runs = fit.brackets["run"]
    ends = np.log(fit.brackets[["lower", "upper"]]).groupby(runs).mean()
    assert ((ends["lower"] < np.log(placed)) & (np.log(placed) < ends["upper"])).all()
    assert (np.abs(np.log(placed) - ends.mean(axis=1)) > 1e-3).sum() >= 6


def test_too_few_days_for_a_chart_is_said(tmp_path: Path) -> None:
    rng = np.random.default_rng(10)
    write(tmp_path / "autumn", {"runs": tables(rng, "2025-09-01")["runs"]})
    folder = write(tmp_path / "now", tables(rng, "2026-01-01", 5))
    assert "There is no chart of the days." in said(section(load(earlier(folder, "../autumn"))))
