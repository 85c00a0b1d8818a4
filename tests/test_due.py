"""What a trial waits for is due, then missing; only what was to be read by now is a doubt."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner
from sound_trial import LOG, RUNS, TOML, TOUCH

from fizzlab.bench.logbook import Logbook
from fizzlab.bench.planfiles import write_plan
from fizzlab.cli.check import said
from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.trial.folder import load
from fizzlab.trial.sisters import slip

MakeTrial = Callable[..., Path]

PLAN = """
[plan]
kind = "factorial"
batches_per_day = 4
repeats = 1
pieces = 2
checks_h = [2, 4, 8]
tables = ["touch_checks", "tumbles"]
"""
NINE = dt.datetime(2026, 1, 5, 9)
BLANK = "".join(f"{run},{piece},{at},,\n" for run in "ABCD" for piece in "12" for at in (2, 4, 8))
UNMADE = RUNS.replace("2026-01-06T09:00", "").replace("2026-01-06T10:00", "")


@pytest.fixture
def trial(make_trial: MakeTrial) -> Path:
    """Batches A (at 9) and B (at 10) are made, C and D are not; every look stands prepared."""
    head = "run,piece,hours,dry,note\n"
    return make_trial(
        trial__toml=TOML + PLAN, runs__csv=UNMADE, touch_checks__csv=head + BLANK, room_log__csv=None
    )


def put(folder: Path, *looks: str) -> None:
    path = folder / "touch_checks.csv"
    text = path.read_text()
    for look in looks:
        run, piece, at, dry = look.split(",")
        text = text.replace(f"{run},{piece},{at},,", f"{run},{piece},{at},{dry},")
    path.write_text(text)


def told(folder: Path, hours: float) -> str:
    now = NINE + dt.timedelta(hours=hours)
    return "\n".join(said(load(folder, now), now))


def in_order(text: str, *parts: str) -> bool:
    places = [text.find(part) for part in parts]
    return -1 not in places and places == sorted(places)


def test_looks_that_are_not_due_yet_are_no_doubts(trial: Path) -> None:
    assert load(trial, NINE + dt.timedelta(hours=1.9)).doubts == ()
    put(trial, "A,1,2,no", "A,2,2,no", "B,1,2,no", "B,2,2,no")
    assert load(trial, NINE + dt.timedelta(hours=3)).doubts == ()


def test_what_is_due_missing_and_odd_is_said_in_order(trial: Path) -> None:
    put(trial, "A,1,2,no", "B,1,2,no", "B,2,2,no", "A,1,4,yes")
    text = told(trial, 6.1)  # at 15:06: of A, the look at 8 h is nearer than that at 4 h
    assert in_order(
        text,
        "Due now:\n  batch B, touch_checks, pieces 1 and 2, since Mon 05 Jan 14:00",
        "Due later:\n  batch A, touch_checks, piece 2, from Mon 05 Jan 17:00",
        "To be made:\n  batch C\n  batch D",
        "Missing:\n  touch_checks.csv: rows 5, 6: no reading, passed over.",
        "Next: batch B, touch_checks, pieces 1 and 2, since Mon 05 Jan 14:00. Log it with: fizzlab bench ",
    )
    assert "piece 1 of batch A" not in text  # it is dry, and needs no further look


def test_a_look_that_came_late_is_not_asked_for_again(trial: Path) -> None:
    put(trial, "A,1,2,no", "A,2,2,no", "B,1,2,no", "B,2,2,no")
    path = trial / "touch_checks.csv"
    path.write_text(path.read_text().replace("A,1,4,,", "A,1,3.2,no,").replace("A,2,4,,", "A,2,3.2,no,"))
    assert "Due now" not in told(trial, 4.1)


def test_what_was_never_read_is_missing_when_it_is_too_late(trial: Path) -> None:
    text = told(trial, 24 * 30)
    assert in_order(
        text,
        "Missing:",
        "tumbles: it is planned in trial.toml, but holds no readings.",
        "touch_checks.csv: it is planned in trial.toml, but holds no readings.",
        "Next: make batch C.",
    ) or in_order(text, "Missing:", "touch_checks.csv: it is planned", "tumbles: it is planned", "Next: make")
    assert "Due" not in text


def test_without_prepared_rows_the_plan_tells_what_is_due(trial: Path) -> None:
    (trial / "touch_checks.csv").write_text("run,piece,hours,dry\nA,1,2.1,no\nA,2,2.1,no\n")
    text = told(trial, 3)
    assert "Due now:\n  batch B, touch_checks, pieces 1 and 2, since Mon 05 Jan 12:00" in text
    assert "Missing" not in text  # B can still be looked at
    assert "touch_checks.csv: it has no reading of batch B." in told(trial, 14)


def test_batches_without_a_time_count_as_made_once_one_was_read(make_trial: MakeTrial) -> None:
    folder = make_trial(
        trial__toml=TOML + PLAN, runs__csv=UNMADE, touch_checks__csv=TOUCH, room_log__csv=None
    )
    doubts = [str(doubt) for doubt in load(folder, NINE).doubts if doubt.missing]
    assert not any("To be made" in line for line in told(folder, 0).splitlines())
    assert any("tumbles: it is planned" in doubt for doubt in doubts)


def test_a_trial_that_is_whole_ends_with_its_report(make_trial: MakeTrial) -> None:
    folder = make_trial()
    assert told(folder, 48).endswith(f"No problems.\n\nNext: fizzlab report {folder}")
    odd = make_trial(runs__csv=RUNS.replace("2026-01-05T09:00", "2026-01-05T00:00"))
    assert in_order(
        told(odd, 48), "Odd, for you to look at:\n  runs.csv, row 2", "Next: look at what is odd; then "
    )


# the workbook


def test_a_sheet_shows_day_tray_and_date_and_nothing_of_that_is_read(tmp_path: Path) -> None:
    (tmp_path / "trial.toml").write_text(
        TOML + PLAN.replace('"tumbles"', '"drops", "crumble_scores"').replace("repeats = 1", "repeats = 2")
    )
    runs = write_plan(tmp_path).planned.runs
    path = tmp_path / "readings.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["touch_checks"]
    first = [cell.value for cell in sheet[2]]
    assert first[:2] == [runs["day"][0], runs["blind"][0]]
    assert first[2].startswith("=IFERROR(1/(1/INDEX(runs!$F:$F,MATCH($D2,runs!$A:$A,0)))+$F2/24,")
    assert {cell.fill.fgColor.rgb for cell in sheet[2][:3]} == {"00F0F0F0"}
    assert not sheet.protection.sheet
    assert "(tray)" not in [
        cell.value for cell in book["crumble_scores"][1]
    ]  # the code stands there to be read
    before = load(tmp_path)
    sheet["A2"], sheet["B2"], sheet["C2"], book["drops"]["A3"] = "nonsense", "?", "=1/0", "for the eye"
    book.save(path)
    after = load(tmp_path)
    assert after.doubts == before.doubts == ()
    assert after.rows("touch_checks").empty
    sheet["G2"], book["runs"]["F2"] = "no", NINE
    book.save(path)
    assert load(tmp_path, NINE).rows("touch_checks")[["run", "piece", "hours"]].values.tolist() == [
        ["R01", "1", 2.0]
    ]


# units and slips


@pytest.mark.parametrize(
    ("turned", "says"),
    [
        (lambda celsius: celsius * 1.8 + 32, "48 of its 48 temperatures seem to be in °F"),
        (lambda celsius: celsius + 273.15, "48 of its 48 temperatures seem to be in kelvin"),
    ],
)
def test_a_room_log_in_another_unit_is_named_in_one_sentence(
    turned: Callable[[float], float], says: str, make_trial: MakeTrial
) -> None:
    rows = [line.split(",") for line in LOG.splitlines()[1:]]
    log = "time,temp_c,rh_pct\n" + "".join(f"{at},{turned(float(c)):.2f},{rh}\n" for at, c, rh in rows)
    with pytest.raises(BadInput) as error:
        load(make_trial(room_log__csv=log))
    (problem,) = error.value.problems
    assert says.replace("48", str(len(rows))) in problem.what
    assert "fizzlab import" in problem.do


def spoilt(text: str, row: int, column: int, cell: str) -> str:
    lines = [line.split(",") for line in text.splitlines()]
    lines[row - 1][column] = cell
    return "".join(",".join(line) + "\n" for line in lines)


@pytest.mark.parametrize(
    ("files", "says"),
    [
        (
            {"room_log__csv": spoilt(LOG, 5, 2, "6,2".replace(",", "."))},
            "row 5, column rh_pct: 6.2 stands between",
        ),
        ({"room_log__csv": spoilt(LOG, 5, 1, "1.7")}, "row 5, column temp_c: 1.7 stands between"),
        ({"runs__csv": RUNS.replace("dye,1.2", "dye,12")}, "12 g is not one of the amounts"),
    ],
)
def test_a_slip_of_the_decimal_sign_is_named(files: dict[str, str], says: str, make_trial: MakeTrial) -> None:
    found = [str(doubt) for doubt in load(make_trial(**files)).doubts]
    assert any(says in doubt and "the decimal sign may have slipped" in doubt for doubt in found), found


@pytest.mark.parametrize(
    ("table", "rows", "says"),
    [
        ("tumbles", "run,pieces,before_g,after_g\nA,2,160,15.1\n", "a tenth: the decimal sign"),
        (
            "weighings",
            "run,piece,hours,mass_g\nA,1,0,80\nA,1,2,799\n",
            "(80 g), ten times as much: the decimal",
        ),
    ],
)
def test_a_slipped_mass_is_named(table: str, rows: str, says: str, make_trial: MakeTrial) -> None:
    files: dict[str, str] = {f"{table}__csv": rows}
    assert any(says in str(doubt) for doubt in load(make_trial(**files)).doubts)


def test_a_reading_out_of_bounds_is_named_as_a_slip(make_trial: MakeTrial) -> None:
    with pytest.raises(BadInput, match=r"; most are about 15, and it is ten times as much: the decimal"):
        load(make_trial(room_log__csv=spoilt(LOG, 5, 1, "172")))


def test_what_is_merely_far_off_is_no_slip() -> None:
    def named(pairs: Sequence[tuple[float, float]]) -> list[bool]:
        return [bool(slip(*pair)) for pair in pairs]

    assert named([(15, 1.5), (1.5, 140), (0.11, 1)]) == [True] * 3
    assert named([(3, 1), (30, 1), (1, 1), (-10, 1), (0, 1)]) == [False] * 5


# what waits at the bench


def test_what_waits_at_the_bench_goes_in_before_a_command_reads_the_trial(tmp_path: Path) -> None:
    (tmp_path / "trial.toml").write_text(TOML + PLAN.replace("repeats = 1", "repeats = 2"))
    run = write_plan(tmp_path).planned.runs["run"][0]
    book, lock = Logbook(tmp_path), tmp_path / ".~lock.readings.xlsx#"
    book.made(run, NINE.timestamp())
    lock.touch()
    assert book.log("touch_checks", run, "1", {"dry": "no"}, NINE.timestamp() + 7200).waits
    told = CliRunner().invoke(main, ["check", str(tmp_path)])  # a spreadsheet has the table still
    assert told.exit_code == 2
    assert f"Close the tables in the spreadsheet, then run: fizzlab check {tmp_path}" in told.output
    lock.unlink()
    told = CliRunner().invoke(main, ["check", str(tmp_path)])
    assert told.exit_code == 0, told.output
    assert load(tmp_path).rows("touch_checks")[["run", "piece", "dry"]].values.tolist() == [[run, "1", False]]
    assert book.catch_up()  # the bench that is open takes it up
    assert book.waiting() == []
