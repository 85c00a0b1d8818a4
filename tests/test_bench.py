"""The buttons of the bench, pressed without a browser: what they log, what they say, what they never show."""

from __future__ import annotations

import asyncio
import datetime as dt
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


@pytest.fixture
def bench(tmp_path: Path, clock: Clock) -> Bench:
    return Bench(Logbook.open(practice_folder(tmp_path)), clock)


def _choose(bench: Bench, piece: str = "1") -> str:
    """Choose the first tray and a piece; its batch."""
    bench.tray.index = 0
    bench.piece.value = piece
    return str(bench.tray.value)


def test_nothing_is_logged_before_a_choice(bench: Bench) -> None:
    bench.dry.click()
    assert "Not logged. bench: no tray is chosen." in bench.message.value
    bench.tray.index = 0
    bench.dry.click()
    assert "no piece is chosen" in bench.message.value
    assert bench.book.logged() == []


def test_a_day_at_the_bench(bench: Bench, clock: Clock) -> None:
    run = _choose(bench)
    bench.made.click()
    clock.now += 2.05 * 3600
    bench.tick()
    assert "Now: touch tray" in bench.status.value
    assert "3 min late" in bench.status.value
    bench.wet.click()
    bench.mass.value = "81,3"
    bench.weigh.click()
    assert bench.mass.value == ""
    bench.mode.value = "Fizz"
    bench.piece.value = "1"
    for key in bench.fizz.children[2].children[3].children[:2]:
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
    bench.dry.click()
    clock.now += 1
    bench.dry.click()
    assert len(bench.book.logged()) == 2
    assert "Logged: " in bench.message.value
    clock.now += 1
    bench.piece.value = "2"
    bench.dry.click()
    assert len(bench.book.logged()) == 3


def test_a_press_waits_for_the_last_digits(bench: Bench, clock: Clock) -> None:
    run = _choose(bench)
    bench.made.click()
    clock.now += 3600

    async def type_and_press() -> None:
        bench.mass.value = "8"
        bench.weigh.click()
        clock.now += 0.1
        await asyncio.sleep(0.1)
        bench.mass.value = "81.5"  # held back by the page until now
        bench.piece.value = "2"  # and the hand is at the next piece already
        await asyncio.sleep(1)

    asyncio.run(type_and_press())
    (row,) = load(bench.book.folder).rows("weighings").to_dict("records")
    assert (row["run"], row["piece"], row["mass_g"], row["hours"]) == (run, "1", 81.5, 1.0)


def test_nothing_of_the_recipe_is_shown(bench: Bench, clock: Clock) -> None:
    _choose(bench)
    bench.made.click()
    clock.now += 7200
    bench.dry.click()
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
    again = Bench(Logbook.open(bench.book.folder), clock)
    assert (again.mode.value, again.tray.value, again.piece.value) == ("Fizz", run, "3")
    assert "30.0 s" in again.watch.value
    bench.colour.click()  # on the page that was left open elsewhere
    assert "opened at another bench since" in bench.message.value
    again.early.click()
    (row,) = load(bench.book.folder).rows("fizz_times").to_dict("records")
    assert (row["seconds"], row["done"]) == (30.0, False)


def test_what_waits_is_said_and_goes_in_later(bench: Bench, clock: Clock) -> None:
    _choose(bench)
    bench.made.click()
    lock = bench.book.folder / "~$readings.xlsx"
    lock.touch()
    clock.now += 7200
    bench.dry.click()
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
    bench.dry.click()
    assert "Not logged. piece: a piece is named by" in bench.message.value


def test_the_next_look_in_words() -> None:
    def look(table: str, due: float) -> Look:
        return Look(table, "A", "417", ("1",), 2.0, due)

    assert next_words([look("weighings", 3 * 3600)], 0) == "Next: weigh tray 417, piece 1, in 3.0 h"
    assert next_words([look("touch_checks", 0), look("weighings", 10)], 60) == (
        "Now: touch tray 417, piece 1 (and 1 more due)"
    )
