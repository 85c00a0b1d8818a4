"""Days of a plan as dates; the calendar file is read by the grammar of RFC 5545, not by what wrote it."""

from __future__ import annotations

import datetime as dt
import re
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from planned_trials import HEAD, KINDS, READ

from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.planning import read_plan
from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.trial.calendar import ics, looks, times
from fizzlab.trial.folder import load
from fizzlab.trial.settings import PlanSettings

START = 'start = 2026-03-27\nweekdays = ["Fri", "saturday"]\nawake = "07:00-22:30"\n'
TITLE = 'title = "Läuft’s, mit viel Geduld; oder nicht? Seife, Farbe, Öl \\\\ Stärke: was trocknet früher"'

Trial = Callable[..., Path]


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    """A trial of three days of four batches, with more in [plan]."""

    def make(more: str = START, checks: str = "[2, 4, 8, 24]") -> Path:
        text = HEAD + KINDS["compare"].replace("[plan]\n", f"[plan]\n{more}") + READ
        text = re.sub("title = .*", lambda _: TITLE, text).replace("[2, 4, 8, 24]", checks)
        (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
        return tmp_path

    return make


@pytest.fixture
def clocks_of() -> Iterator[Callable[[str], None]]:
    """Give this computer another time zone, written by its rules (POSIX), which needs no database."""
    patch = pytest.MonkeyPatch()

    def zone(rules: str) -> None:
        if not hasattr(time, "tzset"):
            pytest.skip("Windows has one time zone for all programs, which a test must not change")
        patch.setenv("TZ", rules)
        time.tzset()

    yield zone
    patch.undo()
    if hasattr(time, "tzset"):
        time.tzset()


BERLIN, CHICAGO = "CET-1CEST,M3.5.0,M10.5.0/3", "CST6CDT,M3.2.0,M11.1.0"


class Part(NamedTuple):
    """A component of a calendar: its properties as (name, value), and the components in it."""

    kind: str
    lines: list[tuple[str, str]]
    inner: list[Part]

    def one(self, name: str) -> str:
        values = [value for key, value in self.lines if key == name]
        assert len(values) == 1, (self.kind, name, values)
        return values[0]


#: A content line (RFC 5545, 3.1): a name, parameters, a value without control characters.
LINE = re.compile(
    r'([A-Z0-9-]+)(?:;[A-Z0-9-]+=(?:"[^"\x00-\x1f]*"|[^";:,\x00-\x1f]*))*:([^\x00-\x08\x0a-\x1f]*)'
)

TEXTS = ("NAME", "X-WR-CALNAME", "SUMMARY", "DESCRIPTION", "UID")


def read(data: bytes) -> list[Part]:
    """The events of a calendar; whatever the standard forbids fails."""
    assert data.endswith(b"\r\n")
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", data)  # CRLF only
    assert max(map(len, data.split(b"\r\n"))) <= 75  # octets, without the break
    for folded in data.split(b"\r\n "):
        folded.decode()  # no sign is cut in two
    root, within = Part("", [], []), []
    within.append(root)
    for line in data.decode().replace("\r\n ", "").split("\r\n")[:-1]:
        found = LINE.fullmatch(line)
        assert found, line
        name, value = found.groups()
        if name == "BEGIN":
            within[-1].inner.append(Part(value, [], []))
            within.append(within[-1].inner[-1])
        elif name == "END":
            assert within.pop().kind == value
        elif name in TEXTS:
            assert not re.search(r"(?<!\\)(?:\\\\)*[,;]", value), line  # 3.3.11: escaped in every text
            within[-1].lines.append((name, re.sub(r"\\(.)", r"\1", value)))
        else:
            within[-1].lines.append((name, value))
    assert within == [root]
    (calendar,) = root.inner
    assert calendar.kind == "VCALENDAR"
    assert calendar.one("VERSION") == "2.0"
    assert "fizzlab" in calendar.one("PRODID")
    assert calendar.one("NAME") == tomllib.loads(TITLE)["title"]
    for event in calendar.inner:
        assert event.kind == "VEVENT"
        assert re.fullmatch(r"\d{8}T\d{6}Z", event.one("DTSTART"))  # world time needs no VTIMEZONE
        assert re.fullmatch(r"\d{8}T\d{6}Z", event.one("DTSTAMP"))
        assert event.one("DURATION") == "PT10M"
        assert event.one("SEQUENCE").isdecimal()
        for alarm in event.inner:
            assert (alarm.kind, alarm.one("ACTION"), alarm.one("TRIGGER")) == ("VALARM", "DISPLAY", "-PT5M")
            assert alarm.one("DESCRIPTION") == event.one("SUMMARY")
        assert len(event.inner) == (event.one("STATUS") == "CONFIRMED")
    assert len({event.one("UID") for event in calendar.inner}) == len(calendar.inner)
    return calendar.inner


def world(event: Part) -> dt.datetime:
    """When it begins, in world time."""
    return dt.datetime.strptime(event.one("DTSTART"), "%Y%m%dT%H%M%SZ").replace(tzinfo=dt.UTC)


def at(event: Part) -> dt.datetime:
    """When it begins, by the clock of the workshop."""
    return world(event).astimezone().replace(tzinfo=None)


def events(folder: Path) -> dict[str, Part]:
    return {event.one("UID"): event for event in read((folder / "calendar.ics").read_bytes())}


def test_every_batch_and_look_stands_in_the_calendar_with_an_alarm(trial: Trial) -> None:
    folder = trial()
    written = write_plan(folder)
    found = events(folder)
    runs = written.planned.runs
    assert len(found) == len(runs) * 5
    assert [each.one("SUMMARY") for each in found.values()][:2] == [
        "Make batch R01",
        f"Tray {runs['blind'][0]}: touch checks, weighings",
    ]
    made = [at(found[f"quay-{run}-0h@fizzlab"]) for run in runs["run"]]
    assert [f"{each:%Y-%m-%dT%H:%M}" for each in made] == list(runs["planned_at"])
    assert {each.date().isoformat() for each in made} == {"2026-03-27", "2026-03-28", "2026-04-03"}
    assert all(dt.time(7) <= at(each).time() <= dt.time(22, 30) for each in found.values())
    assert written.paths[-1].name == "calendar.ics"


@pytest.mark.slow
def test_dates_stand_on_the_cards_in_runs_and_in_what_the_plan_says(trial: Trial) -> None:
    folder = trial()
    result = CliRunner().invoke(main, ["plan", str(folder)])
    assert result.exit_code == 0, result.output
    assert "Day 3, Fri 3 Apr: 07:00 R09 " in result.output
    assert "07:30 R10 " in result.output
    sheet = (folder / "bench-sheet.html").read_text(encoding="utf-8")
    assert "Fri 27 Mar 07:00" in sheet
    assert "look on Fri 27 Mar 09:00, 11:00, 15:00; Sat 28 Mar 07:00." in sheet
    assert load(folder).rows("runs")["planned_at"][2] == pd.Timestamp("2026-03-27T07:00")
    assert write_plan(folder).replaced == ("readings.xlsx",)  # planned dates are no readings


@pytest.mark.slow
def test_a_plan_without_dates_has_no_calendar_and_takes_an_old_one_away(trial: Trial) -> None:
    folder = trial()
    write_plan(folder)
    trial("")
    write_plan(folder)
    assert not (folder / "calendar.ics").exists()
    runs = pd.read_excel(folder / "readings.xlsx", sheet_name="runs")
    assert "planned_at" not in runs
    result = CliRunner().invoke(main, ["calendar", str(folder)])
    assert result.exit_code == 2
    assert "trial.toml, key plan: it has no first day. Add start = 2026-03-06." in result.output


def test_a_calendar_of_somebody_else_is_not_written_over(trial: Trial) -> None:
    folder = trial()
    (folder / "calendar.ics").write_text("BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n")
    with pytest.raises(BadInput, match=r"calendar\.ics: fizzlab did not write it\. Give it another name\."):
        write_plan(folder)
    assert sorted(path.name for path in folder.iterdir()) == ["calendar.ics", "trial.toml"]


def _made(folder: Path, **stamps: str) -> None:
    """Write into runs when batches were made."""
    book = openpyxl.load_workbook(folder / "readings.xlsx")
    head, *rows = book["runs"].iter_rows()
    place = [cell.value for cell in head].index("made_at")
    for row in rows:
        row[place].value = stamps.get(str(row[0].value))
    book.save(folder / "readings.xlsx")


@pytest.mark.slow
def test_looks_of_a_batch_made_late_move_in_the_calendar(trial: Trial) -> None:
    folder = trial()
    write_plan(folder)
    before = events(folder)
    _made(folder, R01="2026-03-27T07:00", R02="2026-03-27T11:40")
    result = CliRunner().invoke(main, ["calendar", str(folder)])
    assert result.exit_code == 0, result.output
    assert "Batches made: 2 of 12." in result.output
    now = events(folder)
    assert now.keys() == before.keys()  # so that a calendar program moves each and doubles none
    for uid, event in now.items():
        assert int(event.one("SEQUENCE")) >= int(before[uid].one("SEQUENCE"))
        assert event.one("DTSTAMP") >= before[uid].one("DTSTAMP")
        assert (at(event) != at(before[uid])) == (uid[5:8] in ("R02", "R03", "R04"))
    assert at(now["quay-R02-0h@fizzlab"]) == dt.datetime(2026, 3, 27, 11, 40)
    assert at(now["quay-R02-2h@fizzlab"]) == dt.datetime(2026, 3, 27, 13, 40)
    assert at(now["quay-R03-0h@fizzlab"]) == dt.datetime(2026, 3, 27, 12, 10)  # it waits for the one before


def test_days_still_to_come_follow_a_day_made_late(trial: Trial) -> None:
    folder = trial()
    planned = read_plan(folder)
    first = planned.runs.assign(made_at=["2026-03-28T09:00", *[None] * 11])
    made = times(planned.settings, first).query("table == 'runs'")
    days = made["at"].dt.date.astype(str).drop_duplicates()
    assert list(days) == ["2026-03-28", "2026-04-03", "2026-04-04"]


@pytest.mark.parametrize(
    ("rules", "start", "later", "hours"),
    [
        (BERLIN, "2026-03-28", "09:30", 23),
        (BERLIN, "2026-10-24", "07:30", 25),
        (CHICAGO, "2026-03-07", "09:30", 23),
    ],
    ids=["summer time begins", "summer time ends", "in Chicago"],
)
def test_hours_pass_where_the_clocks_are_changed(
    trial: Trial, clocks_of: Callable[[str], None], rules: str, start: str, later: str, hours: int
) -> None:
    clocks_of(rules)
    planned = read_plan(trial(f"start = {start}\n"))
    found = {each.one("UID"): each for each in read(ics(planned.settings, planned.runs))}
    made, day_later, next_day = (found[f"quay-{each}@fizzlab"] for each in ("R04-0h", "R04-24h", "R08-0h"))
    assert at(made).isoformat() == f"{start}T08:30:00"
    assert world(day_later) - world(made) == dt.timedelta(hours=24)
    assert f"{at(day_later):%H:%M}" == later
    assert at(next_day) - at(made) == dt.timedelta(days=1)  # the maker gets up by the clock
    assert world(next_day) - world(made) == dt.timedelta(hours=hours)
    assert planned.cards.cards[3].looks.endswith(later)


@pytest.mark.slow
def test_looks_of_the_night_are_moved_or_dropped_and_the_loss_is_said(trial: Trial) -> None:
    folder = trial(START.replace("22:30", "20:00"), checks="[2, 12, 14, 16, 19, 24]")
    written = write_plan(folder)
    # of a batch made at 7:00, the looks of 21:00 and 23:00 move to 20:00; that of 2:00 to 7:00, where 24 h is
    assert [each for each in written.statements if "night" in each] == [
        "78 of 144 looks would fall into the night: 36 are moved, by up to 4.5 h; 42 are dropped as another "
        "is made then. What happens from 20:00 to 07:00 is known to that night only."
    ]
    found = events(folder)
    when = times(written.planned.settings, written.planned.runs)
    for (run, planned), rows in when.groupby(["run", "planned"]):
        event = found[f"quay-{run}-{planned:g}h@fizzlab"]
        assert (event.one("STATUS") == "CANCELLED") == rows["lost"].all()
        assert at(event) == rows["at"].iloc[0]
    book = pd.read_excel(folder / "readings.xlsx", sheet_name="touch_checks")
    kept = when[(when["table"] == "touch_checks") & ~when["lost"]]
    for run, rows in book.groupby("run"):
        wanted = list(kept.loc[kept["run"] == run, "hours"])
        assert rows.groupby("piece")["hours"].agg(list).to_list() == [wanted] * 2


DAY = st.datetimes(dt.datetime(2026, 1, 1), dt.datetime(2026, 12, 31))


@settings(max_examples=60, deadline=None)
@given(
    made=DAY.map(lambda moment: moment.replace(second=0, microsecond=0)),
    wake=st.integers(4 * 60, 10 * 60),
    sleep=st.integers(19 * 60, 23 * 60 + 59),
    hours=st.lists(st.integers(1, 400), min_size=1, max_size=12, unique=True).map(sorted),
)
def test_no_look_is_by_night_and_none_is_twice(
    made: dt.datetime, wake: int, sleep: int, hours: list[int]
) -> None:
    awake = f"{wake // 60}:{wake % 60:02} - {sleep // 60}:{sleep % 60:02}"
    checks = [float(each) / 4 for each in hours]
    plan = PlanSettings(kind="compare", start=dt.date(2026, 1, 1), awake=awake, checks_h=checks)
    found = looks(plan, "touch_checks", made)
    kept = [look for look in found if not look.lost]
    assert [look.planned for look in found] == checks
    clocks = [look.at for look in kept]
    assert clocks == sorted({look.at for look in found})
    assert made < clocks[0]
    for look in found:
        wakes, sleeps = plan.awake
        due = (made.astimezone(dt.UTC) + dt.timedelta(hours=look.planned)).astimezone().replace(tzinfo=None)
        assert wakes <= look.at.time() <= sleeps
        if wakes <= due.time() <= sleeps:
            assert (look.at, look.hours, look.lost) == (due, look.planned, False)
        else:
            assert look.at.time() in (wakes, sleeps)
            assert abs(look.at - due) <= dt.timedelta(hours=25) - (dt.timedelta(minutes=sleep - wake))


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('awake = "22:00-07:00"\n', "key plan.awake: “22:00-07:00” is not from when to when on one day"),
        ('awake = "7-22"\n', "key plan.awake: “7-22” is not from when to when on one day"),
        ('weekdays = ["Fri", "Caturday"]\n', r"key plan.weekdays \(2\): .* is none of its choices"),
        ("weekdays = [5]\n", r"key plan.weekdays \(1\): “5” is none of its choices"),
        (
            'start = "6 March"\n',
            "key plan.start: “6 March” is no date that a trial could have. Write it as 2026-03-06",
        ),
        ("start = 0001-01-01\n", "key plan.start:"),
    ],
)
def test_what_is_no_date_or_day_is_refused_by_its_key(trial: Trial, more: str, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        read_plan(trial(more))


def test_days_of_the_week_are_taken_in_any_case(trial: Trial) -> None:
    named = 'start = 2026-03-27\nweekdays = ["MON", "Tues", "wednesday", "Thu", "friday"]\n'
    assert read_plan(trial(named)).wishes.weekdays == ["mon", "tue", "wed", "thu", "fri"]


@pytest.mark.slow
def test_48_batches_fit_into_a_day(trial: Trial) -> None:
    folder = trial()
    text = (
        (folder / "trial.toml")
        .read_text(encoding="utf-8")
        .replace("batches_per_day = 4", "batches_per_day = 48")
    )
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    clocks = pd.to_datetime(read_plan(folder).runs["planned_at"]).dt.time
    assert dt.time(7) <= min(clocks)
    assert max(clocks) <= dt.time(22, 30)
    assert len(set(clocks)) == 48
