"""The buttons of the bench, pressed without a browser: what they log, what they say, what they never show."""

from __future__ import annotations

import asyncio
import datetime as dt
import shutil
from pathlib import Path

import pytest

from fizzlab.bench.buttons import Bench, next_words
from fizzlab.bench.logbook import Logbook, Look, practice_folder
from fizzlab.trial.folder import load

MADE = dt.datetime(2026, 1, 5, 9).timestamp()


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.now = MADE

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return practice_folder(tmp_path_factory.mktemp("planned"))


@pytest.fixture
def folder(planned: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(planned, tmp_path / "trial"))


@pytest.fixture
def bench(folder: Path, clock: Clock) -> Bench:
    return Bench(Logbook(folder), clock)


def _choose(bench: Bench, piece: str = "1") -> str:
    """Choose the first tray and a piece; its batch."""
    bench.tray.index = 0
    bench.piece.value = piece
    return str(bench.tray.value)


def test_nothing_is_logged_before_a_choice(bench: Bench) -> None:
    bench.cards["touch_checks"].buttons["yes"].click()
    assert "Not logged. bench: no tray is chosen." in bench.message.value
    bench.tray.index = 0
    bench.cards["touch_checks"].buttons["yes"].click()
    assert "no piece is chosen" in bench.message.value
    assert bench.book.logged() == []


def test_a_day_at_the_bench(bench: Bench, clock: Clock) -> None:
    run = _choose(bench)
    bench.made.click()
    clock.now += 2.05 * 3600
    bench.tick()
    assert "Now: touch tray" in bench.status.value
    assert "3 min late" in bench.status.value
    bench.cards["touch_checks"].buttons["no"].click()
    bench.cards["weighings"].fields["mass_g"].value = "81,3"
    bench.cards["weighings"].buttons["log"].click()
    assert bench.cards["weighings"].fields["mass_g"].value == ""
    bench.mode.value = "Fizz"
    bench.piece.value = "1"
    for key in _all(bench.modes["Fizz"].children[2])[-12:-10]:
        key.click()  # 1 2
    assert bench.water.value == "12"
    bench.cup.value = "512"
    bench.weigh_cup.click()
    bench.start.click()
    clock.now += 4
    bench.colour.click()
    clock.now += 8
    bench.hold.click()
    clock.now += 9
    bench.cup.value = "509.5"
    bench.weigh_cup.click()
    clock.now += 60
    bench.tick()
    assert "81.0 s" in bench.watch.value
    bench.end.click()
    assert bench.book.running is not None  # the scale is read on
    bench.halt.click()
    clock.now += 21
    bench.tick()  # a workbook that is slow to write was left to this moment
    trial = load(bench.book.folder)
    assert trial.rows("touch_checks")[["run", "hours", "dry"]].to_numpy().tolist() == [[run, 2.05, False]]
    assert trial.rows("weighings")["mass_g"].tolist() == [81.3]
    assert trial.rows("fizz_curves")[["seconds", "mass_g"]].to_numpy().tolist() == [[0, 512], [12, 509.5]]
    assert trial.rows("fizz_times")[["seconds", "done", "colour_s"]].to_numpy().tolist() == [[81, True, 4]]
    assert bench.list.value.count("<li>") == 7
    for _ in range(7):
        bench.undo.click()
    assert "Nothing yet" in bench.list.value
    assert all(
        load(bench.book.folder).rows(name).empty for name in ("touch_checks", "weighings", "fizz_times")
    )


def test_a_glove_that_presses_twice_logs_once(bench: Bench, clock: Clock) -> None:
    _choose(bench)
    bench.made.click()
    clock.now += 3600 + 17.5  # so that the second press would fall on the next hundredth of an hour
    bench.cards["touch_checks"].buttons["yes"].click()
    clock.now += 1
    bench.cards["touch_checks"].buttons["yes"].click()
    assert len(bench.book.logged()) == 2
    assert "Logged: " in bench.message.value
    clock.now += 1
    bench.piece.value = "2"
    bench.cards["touch_checks"].buttons["yes"].click()
    assert len(bench.book.logged()) == 3


def test_a_press_waits_for_the_last_digits(bench: Bench, clock: Clock) -> None:
    run = _choose(bench)
    bench.made.click()
    clock.now += 3600

    async def type_and_press() -> None:
        bench.cards["weighings"].fields["mass_g"].value = "8"
        bench.cards["weighings"].buttons["log"].click()
        clock.now += 0.1
        await asyncio.sleep(0.1)
        bench.cards["weighings"].fields["mass_g"].value = "81.5"  # held back by the page until now
        bench.piece.value = "2"  # and the hand is at the next piece already
        await asyncio.sleep(1)

    asyncio.run(type_and_press())
    (row,) = load(bench.book.folder).rows("weighings").to_dict("records")
    assert (row["run"], row["piece"], row["mass_g"], row["hours"]) == (run, "1", 81.5, 1.0)


def test_nothing_of_the_recipe_is_shown(bench: Bench, clock: Clock) -> None:
    _choose(bench)
    bench.made.click()
    clock.now += 7200
    bench.cards["touch_checks"].buttons["yes"].click()
    shown = " ".join(
        str(getattr(widget, "value", ""))
        + str(getattr(widget, "options", ""))
        + getattr(widget, "description", "")
        for widget in _all(bench.view)
        if widget is not bench.tray
    )
    assert not [word for word in ("pearl", "dye", "lake", "R01", "R02", "R03") if word in shown]
    assert all(label.isdigit() for label, _ in bench.tray.options)


def _all(widget: object) -> list[object]:
    return [widget, *(inner for child in getattr(widget, "children", ()) for inner in _all(child))]


def test_a_running_stopwatch_is_taken_up_again(bench: Bench, clock: Clock) -> None:
    bench.mode.value = "Fizz"
    run = _choose(bench, "3")
    bench.water.value = "38"
    bench.start.click()
    clock.now += 30
    again = Bench(Logbook(bench.book.folder), clock)
    assert (again.mode.value, again.tray.value, again.piece.value) == ("Fizz", run, "3")
    assert "30.0 s" in again.watch.value
    bench.colour.click()  # on the page that was left open elsewhere
    clock.now += 30
    again.early.click()
    assert "Another page of this trial logged something since" in again.message.value
    assert "colour at 30 s" in again.list.value
    again.early.click()
    (row,) = load(bench.book.folder).rows("fizz_times").to_dict("records")
    assert (row["seconds"], row["done"], row["colour_s"]) == (60.0, False, 30.0)


def test_what_waits_is_said_and_goes_in_later(bench: Bench, clock: Clock) -> None:
    _choose(bench)
    bench.made.click()
    lock = bench.book.folder / "~$readings.xlsx"
    lock.touch()
    clock.now += 7200
    bench.cards["touch_checks"].buttons["yes"].click()
    assert "It waits: readings.xlsx is open in a spreadsheet." in bench.message.value
    assert 'class="waits"' in bench.list.value
    lock.unlink()
    clock.now += 30
    bench.tick()
    assert 'class="waits"' not in bench.list.value
    assert len(load(bench.book.folder).rows("touch_checks")) == 1


def test_a_fault_of_the_program_is_not_silent(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    _choose(bench)
    monkeypatch.setattr(bench.book, "made", lambda run, at: 1 / 0)
    bench.made.click()
    assert "Something went wrong (ZeroDivisionError" in bench.message.value


def test_markup_in_names_is_shown_as_typed(bench: Bench) -> None:
    _choose(bench)
    bench.other.value = "<b>x"
    assert "&lt;b&gt;x" in bench.chosen.value
    bench.made.click()
    bench.cards["touch_checks"].buttons["yes"].click()
    assert "Not logged. piece: a piece is named by" in bench.message.value


def test_the_next_look_in_words() -> None:
    def look(table: str, due: float) -> Look:
        return Look(table, "A", "417", ("1",), 2.0, due)

    assert next_words([look("weighings", 3 * 3600)], 0) == "Next: weigh tray 417, piece 1, in 3.0 h"
    assert next_words([look("touch_checks", 0), look("weighings", 10)], 60) == (
        "Now: touch tray 417, piece 1 (and 1 more due)"
    )


def test_each_other_table_and_the_makers_own_measure_has_its_buttons(folder: Path, clock: Clock) -> None:
    toml = (folder / "trial.toml").read_text().replace('tables = ["', 'tables = ["crumble_scores", "')
    own = '\n[responses.scent]\nlabel = "scent"\nper = "piece"\nlow = 0\nhigh = 10\n'
    (folder / "trial.toml").write_text(toml + own)
    bench = Bench(Logbook(folder), clock)
    assert list(bench.modes) == ["Drying", "Fizz", "Crumble scores", "Scent"]
    bench.mode.value = "Scent"
    run = _choose(bench, "1")
    for key in _all(bench.cards["scent"].view)[-12:-10]:
        key.click()  # 1 2
    bench.cards["scent"].buttons["log"].click()
    assert "12 is outside what is possible here (0 to 10)" in bench.message.value
    bench.cards["scent"].fields["scent"].value = "7"
    bench.cards["scent"].buttons["log"].click()
    assert bench.cards["scent"].fields["scent"].value == ""
    bench.mode.value = "Crumble scores"
    bench.piece.value = "1"
    scores = bench.cards["crumble_scores"]
    scores.fields["rater"].value, scores.fields["score"].value = "Ann", "2"
    scores.buttons["log"].click()
    assert (scores.fields["rater"].value, scores.fields["score"].value) == ("Ann", "")
    assert [said.says.partition(": ")[2] for said in bench.book.logged()] == ["rater Ann, score 2", "scent 7"]
    assert bench.book.logged()[0].says.startswith(bench.book.trays()[0].label)
    assert (folder / "scent.csv").read_text().splitlines()[1] == f"{run},1,7,"


def test_what_is_not_planned_comes_by_one_more_press(folder: Path, clock: Clock) -> None:
    toml = (folder / "trial.toml").read_text()
    planned = '["touch_checks", "weighings", "fizz_times", "fizz_curves", "room_log"]'
    assert planned in toml
    (folder / "trial.toml").write_text(toml.replace(planned, '["touch_checks", "room_log"]'))
    bench = Bench(Logbook(folder), clock)
    assert [*bench.cards] == ["runs", "touch_checks"]
    assert ([name for name, _ in bench.mode.options], bench.more.layout.display) == (["Drying"], None)
    run = _choose(bench)
    bench.made.click()
    clock.now += 3600
    bench.more.click()
    assert {"Drying", "Fizz", "Tumbles", "Drops", "Crumble scores", "Shelf"} == {
        name for name, _ in bench.mode.options
    }
    assert (bench.mode.value, bench.tray.value, bench.piece.value) == ("Drying", run, "1")
    assert bench.more.layout.display == "none"
    bench.cards["weighings"].fields["mass_g"].value = "81"
    bench.cards["weighings"].buttons["log"].click()
    assert load(folder).rows("weighings")["mass_g"].tolist() == [81]
    bench.mode.value = "Fizz"
    bench.water.value = "38"
    bench.start.click()
    again = Bench(Logbook(folder), clock)  # a stopwatch that runs is in sight
    assert (again.mode.value, again.piece.value) == ("Fizz", "1")


def test_the_next_height_a_mass_kept_for_later_and_a_refusal_that_was_mended(
    folder: Path, clock: Clock
) -> None:
    toml = (folder / "trial.toml").read_text().replace('tables = ["', 'tables = ["drops", "tumbles", "')
    (folder / "trial.toml").write_text(toml)
    bench = Bench(Logbook(folder), clock)
    drops, tumbles = bench.cards["drops"], bench.cards["tumbles"]
    drops.buttons["log"].click()
    assert "Not logged" in bench.message.value
    run = _choose(bench, "1")
    assert "Changed since it was refused" in bench.message.value
    for piece, height, broke, ahead in (
        ("1", "60", "no", "70"),
        ("2", "80", "yes", "60"),
        ("3", "70", "no", "80"),
    ):
        bench.piece.value = piece
        drops.fields["height_cm"].value, drops.fields["broke"].value = height, broke
        clock.now += 60
        drops.buttons["log"].click()
        assert (drops.fields["height_cm"].value, drops.fields["broke"].value) == (ahead, None)
    assert load(folder).rows("drops")["height_cm"].tolist() == [60, 80, 70]
    tumbles.fields["pieces"].value, tumbles.fields["before_g"].value = "4", "320"
    keep = next(each for each in _all(tumbles.view) if getattr(each, "description", "") == "Keep for later")
    keep.click()
    again = Bench(Logbook(folder), clock)
    again.tray.value = run
    fields = again.cards["tumbles"].fields
    assert (fields["pieces"].value, fields["before_g"].value) == ("4", "320")
    fields["after_g"].value = "301,5"
    again.cards["tumbles"].buttons["log"].click()
    assert load(folder).rows("tumbles")["after_g"].tolist() == [301.5]
    assert fields["before_g"].value == ""


def test_a_press_that_comes_late_counts_from_when_it_was_made(bench: Bench, clock: Clock) -> None:
    _choose(bench)
    bench.made.click()
    clock.now += 7200
    bench.stamp.value = f"{clock.now - 360}"
    bench.cards["touch_checks"].buttons["no"].click()
    assert "wet at 1.9 h" in bench.message.value
    assert bench.stamp.value == ""


def test_another_page_is_caught_up_with(bench: Bench, clock: Clock) -> None:
    other = Bench(Logbook(bench.book.folder), clock)
    clock.now += 1
    bench.tick()  # which takes up that the other was opened
    _choose(bench)
    bench.made.click()
    other.tick()
    assert "made at" in other.list.value
    _choose(other)
    clock.now += 3600
    other.cards["touch_checks"].buttons["no"].click()
    bench.tick()
    assert "wet at" in bench.list.value


def test_make_and_look_are_said_together(bench: Bench, clock: Clock) -> None:
    first, second = [*bench.book._trays.values()][:2]
    bench.go.click()
    assert bench.tray.value == first.run
    bench.made.click()
    assert f"Make tray {second.label} now; at 11:00 touch tray {first.label}" in bench.status.value
    assert bench.alarm.value == ""
    clock.now += 2 * 3600 + 1
    bench.tick()
    assert "Now: touch tray" in bench.status.value
    assert 'class="due"' in bench.status.value
    assert "<audio autoplay" in bench.alarm.value
