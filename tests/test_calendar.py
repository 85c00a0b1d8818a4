"""The calendar of a plan, read by the line grammar of RFC 5545 (3.1) and not by the library that wrote it."""

import datetime as dt
from pathlib import Path

import pytest

from fizzlab.bench import calendar
from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.planning import DEMO, read_plan


def _trial(folder: Path, more: str) -> Path:
    text = (DEMO / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(text.replace("[plan]\n", f"[plan]\n{more}\n"), encoding="utf-8")
    return folder


def _events(data: bytes) -> list[dict[str, str]]:
    assert data.endswith(b"\r\n")
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    lines = data.decode().replace("\r\n ", "").split("\r\n")
    events, within = [], []
    for line in filter(None, lines):
        name, value = line.split(":", 1)
        if name == "BEGIN":
            within.append(value)
            events += [{}] if value == "VEVENT" else []
        elif name == "END":
            assert within.pop() == value
        elif "VEVENT" in within:
            events[-1][("ALARM " if within[-1] == "VALARM" else "") + name] = value
    assert not within
    return events


START = 'start = 2026-03-06\nweekdays = ["Fri", "Mon"]'


def test_every_batch_and_look_stands_in_the_calendar_with_an_alarm(tmp_path: Path) -> None:
    written = write_plan(_trial(tmp_path, START))
    events = _events((tmp_path / "calendar.ics").read_bytes())
    makes = [each for each in events if each["SUMMARY"].startswith("Make")]
    assert len(makes) == len(written.planned.runs)
    assert {each["DTSTART"][:8] for each in makes} <= {"20260306", "20260309", "20260313"}
    assert all("070000" <= each["DTSTART"][9:] <= "223000" for each in events)
    assert len({each["UID"] for each in events}) == len(events)
    assert all(each["ALARM TRIGGER"] == "-PT5M" for each in events)
    assert any("fall into the night" in said for said in written.statements)


def test_times_carry_the_zone_of_the_trial(tmp_path: Path) -> None:
    planned = read_plan(_trial(tmp_path, START + '\ntimezone = "Europe/Berlin"'))
    data = calendar.write(planned, calendar.times(planned))
    assert b"BEGIN:VTIMEZONE" in data
    assert all("DTSTART;TZID=Europe/Berlin" in each for each in _events(data))


def test_looks_of_a_batch_made_late_move_with_it(tmp_path: Path) -> None:
    planned = read_plan(_trial(tmp_path, START))
    run = planned.runs["run"].iloc[0]
    late = dt.datetime(2026, 3, 6, 11, 40)
    when = calendar.times(planned, {run: late})
    own = when[when["run"] == run]
    assert own["at"].iloc[0] == late
    assert own["at"].iloc[1] == late + dt.timedelta(hours=2)
    assert (own["at"] > late).sum() == len(own) - 1


@pytest.mark.parametrize("awake", ["22:00-07:00", "7-22"])
def test_a_night_that_is_none_is_refused(tmp_path: Path, awake: str) -> None:
    with pytest.raises(Exception, match="awake"):
        read_plan(_trial(tmp_path, f'awake = "{awake}"'))
