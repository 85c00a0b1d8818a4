"""A slip of the pen raises a doubt, and one that turns the answer stands first; tidy readings raise none."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from calibration import Case, write_trial
from sound_trial import RUNS, TOML, TOUCH

from fizzlab.report.analysis import analyse
from fizzlab.report.parts import again
from fizzlab.report.parts.front import Verdict, foot
from fizzlab.report.parts.front import _doubts as front_doubts
from fizzlab.trial import sisters
from fizzlab.trial.folder import Trial, load

MakeTrial = Callable[..., Path]
Spoil = Callable[[pd.DataFrame], object]


@pytest.fixture(scope="module")
def tidy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve batches, normal in the logarithms, dye 1.5 times pearl."""
    folder = tmp_path_factory.mktemp("tidy") / "quay"
    write_trial(folder, np.random.default_rng(11), Case("plain", 4, False, 1.5, day_sd=0.05, batch_sd=0.08))
    toml = (folder / "trial.toml").read_text(encoding="utf-8").partition("[responses")[0]
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    return folder


@pytest.fixture
def spoilt(tidy: Path, tmp_path: Path) -> Callable[[str, Spoil], Trial]:
    """The tidy trial with some cells of a table overwritten."""

    def make(table: str, spoil: Spoil) -> Trial:
        folder = Path(shutil.copytree(tidy, tmp_path / "quay"))
        rows = pd.read_csv(folder / f"{table}.csv", dtype=object)
        spoil(rows)
        rows.to_csv(folder / f"{table}.csv", index=False)
        return load(folder)

    return make


def put(row: int, column: str, text: str) -> Spoil:
    """Write a text into the cell of a row as a spreadsheet numbers it."""
    return lambda rows: rows.__setitem__(column, rows[column].mask(rows.index == row - 2, text))


def readings(trial: Trial) -> list[str]:
    return [doubt.place for doubt in trial.doubts if doubt.reading]


def test_tidy_readings_raise_no_doubt(tidy: Path) -> None:
    assert load(tidy).doubts == ()


def test_a_time_of_ten_times_its_sisters_is_doubted(spoilt: Callable[[str, Spoil], Trial]) -> None:
    trial = spoilt("fizz_times", put(6, "seconds", "1480"))
    assert readings(trial) == ["fizz_times.csv, row 6, column seconds"]
    assert "batch R02: 1480 is far off what else was read (about" in str(trial.doubts[0])
    assert len(trial.without_doubtful().rows("fizz_times")) == len(trial.rows("fizz_times")) - 1


def test_a_look_at_80_h_for_8_h_is_doubted(spoilt: Callable[[str, Spoil], Trial]) -> None:
    def later(rows: pd.DataFrame) -> None:
        last = rows.groupby(["run", "piece"]).tail(1)
        at = last.index[(last["hours"].astype(float) == 10) & (last["dry"] == "yes")][0]
        rows.loc[at, "hours"] = "100"

    (place,) = readings(spoilt("touch_checks", later))
    assert re.fullmatch(r"touch_checks\.csv, row \d+, column hours", place)


def test_every_piece_of_a_batch_read_in_another_unit_is_doubted(
    spoilt: Callable[[str, Spoil], Trial],
) -> None:
    def minutes(rows: pd.DataFrame) -> None:
        own = rows["run"] == "R05"
        rows.loc[own, "seconds"] = (rows.loc[own, "seconds"].astype(float) / 60).round(2).astype(str)

    assert len(readings(spoilt("fizz_times", minutes))) == 3


def test_hours_that_are_minutes_are_doubted(spoilt: Callable[[str, Spoil], Trial]) -> None:
    def minutes(rows: pd.DataFrame) -> None:
        rows["hours"] = (rows["hours"].astype(float) * 60).round().astype(int).astype(str)

    doubts = spoilt("touch_checks", minutes).doubts
    assert any("so they seem to be minutes" in str(doubt) for doubt in doubts)


@pytest.mark.parametrize(
    ("air", "says"),
    [
        ("55,17", "temperature and humidity seem to be swapped"),
        ("55,63", "the temperature seems to be in °F"),
    ],
)
def test_air_that_nobody_works_in_is_doubted(air: str, says: str, make_trial: MakeTrial) -> None:
    log = "time,temp_c,rh_pct\n" + "".join(
        f"2026-01-{day:02d}T{hour:02d}:{minute},{air}\n"
        for day in (5, 6)
        for hour in range(24)
        for minute in ("00", "30")
    )
    assert any(says in str(doubt) for doubt in load(make_trial(room_log__csv=log)).doubts)


def test_a_piece_that_all_but_vanishes_on_the_scale_is_doubted(make_trial: MakeTrial) -> None:
    masses = {"A": (80, 79.1, 78.6, 0.0001), "B": (81, 80.2, 79.7, 79.5), "C": (8.12, 80.4, 79.9, 79.8)}
    rows = [
        f"{run},1,{hours},{mass}"
        for run, each in masses.items()
        for hours, mass in zip((0, 2, 5, 9), each, strict=True)
    ]
    trial = load(make_trial(weighings__csv="run,piece,hours,mass_g\n" + "\n".join(rows) + "\n"))
    found = [place for place in readings(trial) if "weighings" in place]
    assert found[:2] == [f"weighings.csv, row {row}, column mass_g" for row in (5, 10)]


def test_a_blind_code_used_twice_is_doubted(make_trial: MakeTrial) -> None:
    codes = iter(("blind", "k7", "m2", "k7", "p4"))
    runs = "".join(f"{line},{next(codes)}\n" for line in RUNS.splitlines())
    doubts = load(make_trial(runs__csv=runs)).doubts
    assert any(
        "row 4, column blind: the blind code k7 stands for an earlier" in str(doubt) for doubt in doubts
    )


def test_an_amount_far_off_the_plan_is_a_doubtful_reading_and_one_near_it_is_not(
    make_trial: MakeTrial,
) -> None:
    far = load(make_trial(runs__csv=RUNS.replace("dye,1.2", "dye,12")))
    near = load(make_trial(runs__csv=RUNS.replace("dye,1.2", "dye,1.1")))
    assert [readings(far), readings(near)] == [["runs.csv, row 3, column binder_g"], []]
    assert set(far.without_doubtful().rows("touch_checks")["run"]) == {"A", "C", "D"}


def test_a_piece_that_was_dry_and_then_wet_has_a_wide_bracket(make_trial: MakeTrial) -> None:
    looks = "A,1,2,no,\nA,1,3,yes,\nA,1,4,no,\nA,1,6,yes,\n"
    trial = load(make_trial(touch_checks__csv=TOUCH.replace("A,1,2,no,\nA,1,4,yes,\n", looks)))
    assert "piece 1 of batch A was dry at 3 h and not dry at 4 h" in str(trial.doubts[0])
    from fizzlab.models.touch import brackets

    assert brackets(trial.rows("touch_checks")).iloc[0][["lower", "upper"]].tolist() == [2, 6]


def test_a_doubt_that_turns_the_answer_stands_first_in_bold(
    spoilt: Callable[[str, Spoil], Trial], tidy: Path
) -> None:
    runs = pd.read_csv(tidy / "runs.csv").set_index("run")["colour"]
    row = 2 + int((pd.read_csv(tidy / "fizz_times.csv")["run"].map(runs) == "pearl").argmax())
    done = analyse(spoilt("fizz_times", put(row, "seconds", "15000")), ["fizz_s"])
    said = again.without_doubtful(done)
    bold = Verdict(["Yes."], said).html()
    assert bold.index(f"<p><b>{escape(said)[:60]}") < bold.index("<p><b>Yes.")
    assert said.startswith(
        f"Check fizz_times.csv, row {row}, column seconds first: without it the answer changes."
    )
    assert re.search("Fizz time, dye against pearl would be “.* longer”, not “can't tell”", said)
    (step,) = foot(done).steps
    assert step.endswith("type “fizzlab report quay”.")


def test_a_doubt_that_turns_nothing_is_not_on_the_front_page(spoilt: Callable[[str, Spoil], Trial]) -> None:
    done = analyse(spoilt("fizz_times", put(6, "seconds", "60")), ["fizz_s"])
    assert again.without_doubtful(done) == ""
    assert front_doubts(done) == [
        "The readings raise 1 doubt, listed under “Doubts”; without the doubtful readings no answer changes."
    ]


def test_without_doubts_nothing_is_worked_out_again(tidy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = analyse(load(tidy), ["fizz_s"])
    monkeypatch.setattr(again, "analyse", None)
    assert again.without_doubtful(done) == ""


def test_a_drift_of_the_test_is_seen(spoilt: Callable[[str, Spoil], Trial]) -> None:
    def drifting(rows: pd.DataFrame) -> None:
        later = rows["run"].str[1:].astype(int)
        rows["seconds"] = (rows["seconds"].astype(float) * 1.08**later).round(1).astype(str)

    grid, _ = again.drift(analyse(spoilt("fizz_times", drifting), ["fizz_s"]))
    assert grid is not None
    (row,) = grid.rows.to_dict("records")
    assert re.match(r"(\d+ % longer|2\.\d times as long|twice)", row["made"])


def test_what_the_lost_batch_might_have_changed_is_said(spoilt: Callable[[str, Spoil], Trial]) -> None:
    done = analyse(spoilt("fizz_times", lambda rows: rows.drop(rows.index[:3], inplace=True)), ["fizz_s"])
    said = [change.said for change in again.lost(done)]
    assert said
    assert all(line.startswith("If R01 (lost) had the ") for line in said)


@pytest.mark.slow
def test_false_doubts_are_rare() -> None:
    """Heavy-tailed pieces: 1,500 tables of 12 batches of 3, logistic in the logarithms, none mistyped."""
    rng, doubted = np.random.default_rng(5), 0
    rows = pd.DataFrame({"run": np.repeat(np.arange(12), 3)})
    for _ in range(1500):
        batch = 0.2 * np.log(rng.gamma(4.0, size=12)).repeat(3)
        seconds = 150 * np.exp(batch + 0.12 * np.sqrt(3) / np.pi * rng.logistic(size=36))
        doubted += len(sisters.apart(rows, pd.Series(seconds))) > 0
    rate, error = doubted / 1500, np.sqrt(max(doubted, 1)) / 1500
    assert rate - 3 * error < 0.01


@pytest.mark.parametrize(
    ("files", "says"),
    [
        (
            {"weighings__csv": 'run,piece,hours,mass_g\nA,1,0,"1,500"\nA,1,2,"1,480"\n'},
            "may be 1.500 or 1500",
        ),
        ({"touch_checks__csv": TOUCH.replace("A,1,4", "A,01,4")}, "“01” was written “1” further up"),
        ({"touch_checks__csv": TOUCH.replace("A,1,4", "A,1.0,4")}, "“1.0” was written “1” further up"),
        ({"touch_checks__csv": TOUCH.replace("A,1,4", "А,1,4")}, "“А” is not a batch that runs names"),
        ({"runs__csv": RUNS.replace("C,2", "А,2")}, "“А” was written “A” further up"),
        ({"runs__csv": RUNS.replace("wet, grey", "\x1b[31mwet")}, "a sign that cannot be seen or printed"),
    ],
)
def test_nonsense_is_refused_by_name(files: dict[str, str], says: str, make_trial: MakeTrial) -> None:
    from fizzlab.errors import BadInput

    with pytest.raises(BadInput) as raised:
        load(make_trial(**files))
    assert says in str(raised.value)
    assert "\x1b" not in str(raised.value)


def test_a_comma_in_a_file_with_semicolons_is_a_decimal_one(make_trial: MakeTrial) -> None:
    trial = load(make_trial(weighings__csv="run;piece;hours;mass_g\nA;1;0;86,125\nA;1;2;85,275\n"))
    assert trial.rows("weighings")["mass_g"].tolist() == [86.125, 85.275]


def test_a_letter_of_one_sign_or_of_two_is_the_same(make_trial: MakeTrial) -> None:
    toml, runs = TOML.replace("pearl", "bl\u00e4ulich"), RUNS.replace("pearl", "bla\u0308ulich")
    assert set(load(make_trial(trial__toml=toml, runs__csv=runs)).rows("runs")["colour"]) == {
        "bl\u00e4ulich",
        "dye",
    }


@pytest.mark.parametrize("command", [["report", "quay"], ["pdf", "quay"]])
def test_an_option_that_names_nothing_is_refused(command: list[str]) -> None:
    from click.testing import CliRunner

    from fizzlab.cli.main import main

    result = CliRunner().invoke(main, [*command, "--to", ""])
    assert result.exit_code == 2
    assert "it names nothing" in result.stderr


def test_a_pipe_or_a_device_is_not_opened(make_trial: MakeTrial) -> None:
    import os

    from fizzlab.errors import BadInput

    folder = make_trial(room_log__csv=None)
    os.mkfifo(folder / "room_log.csv")
    (folder / "weighings.csv").symlink_to("/dev/zero")
    os.mkfifo(folder / "bench-log.jsonl")
    with pytest.raises(BadInput) as raised:
        load(folder)
    assert str(raised.value).count("it is no file but a folder, a pipe or a device.") >= 1
    (folder / "bench-log.jsonl").unlink()
    with pytest.raises(BadInput) as raised:
        load(folder)
    assert str(raised.value).count("it is no file but a folder, a pipe or a device.") == 2


def test_a_line_of_the_journal_nested_without_end_is_passed_over(make_trial: MakeTrial) -> None:
    from fizzlab.trial.journal import JOURNAL, Journal

    folder = make_trial()
    (folder / JOURNAL).write_text("[" * 100_000 + "\n", encoding="utf-8")
    assert Journal.open(folder).unreadable == 1
