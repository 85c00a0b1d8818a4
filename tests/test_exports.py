"""Exports of loggers, all invented: what is told from them, what is asked, what is said."""

from __future__ import annotations

import datetime as dt
import io

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fizzlab.errors import BadInput
from fizzlab.trial.importing import Readings, into_room_log, read
from fizzlab.trial.loggers import Guess, guess, lay_out, numbers
from fizzlab.trial.stamps import ORDERS, moment


def _guess(text: str | bytes, told: dict[str, str] | None = None) -> Guess:
    data = text.encode() if isinstance(text, str) else text
    return guess(lay_out("log.csv", data), told)


def _read(text: str | bytes, told: dict[str, str] | None = None) -> Readings:
    data = text.encode() if isinstance(text, str) else text
    layout = lay_out("log.csv", data)
    return read(layout, guess(layout, told).mapping)


def _asked(text: str) -> list[str]:
    """What is asked, each as the option that settles it."""
    with pytest.raises(BadInput) as raised:
        _guess(text)
    return [f"{problem.what} {problem.do}" for problem in raised.value.problems]


def _values(readings: Readings) -> list[tuple[str, float, float]]:
    rows = readings.rows
    times = rows["time"].dt.strftime("%Y-%m-%dT%H:%M:%S")
    return list(zip(times, rows["temp_c"], rows["rh_pct"], strict=True))


MEANT = [("2026-01-31T08:00:00", 21.5, 64.0), ("2026-01-31T20:30:00", 20.0, 70.5)]

#: One log as different invented devices and languages would write it.
ALIKE = {
    "plain": "time,temp_c,rh_pct\n2026-01-31T08:00,21.5,64\n2026-01-31T20:30,20,70.5\n",
    "German, decimal comma": "Datum;Uhrzeit;Temperatur (°C);Luftfeuchte (%);Taupunkt (°C)\n"
    "31.01.2026;08:00;21,5;64,0;14,4\n31.01.2026;20:30;20,0;70,5;14,5\n",
    "French, tabs": "Horodatage\tTempérature\tHumidité relative\n"
    "31/01/2026 08:00\t21,5 °C\t64 %\n31/01/2026 20:30\t20 °C\t70,5 %\n",
    "Spanish": "Fecha;Hora;Temperatura;Humedad\n31/01/2026;8:00;21,5;64\n31/01/2026;20:30;20;70,5\n",
    "Italian": "Data,Ora,Temp. (C),Umidità (%)\n31-01-2026,08.00,21.5,64\n31-01-2026,20.30,20.0,70.5\n",
    "Dutch": "Datum,Tijd,Temperatuur,Luchtvochtigheid\n"
    "2026/01/31,08:00,21.5°C,64%\n2026/01/31,20:30,20.0°C,70.5%\n",
    "Swedish": "Tidpunkt;Temperatur;Luftfuktighet\n2026-01-31 08:00;21,5;64\n2026-01-31 20:30;20;70,5\n",
    "Polish": "Data i czas;Temperatura;Wilgotność\n2026-01-31 08:00;21,5;64\n2026-01-31 20:30;20;70,5\n",
    "American": "Date,Time,Temp(F),RH(%)\n1/31/2026,8:00:00 AM,70.7,64\n1/31/2026,8:30:00 PM,68,70.5\n",
    "twelve hours, narrow space": "Timestamp,Temperature °F,Humidity\n"
    "01/31/2026 8:00 a.m.,70.7,64\n01/31/2026 8:30\u202fPM,68,70.5\n",
    "preamble and footer": "Model: invented\nSerial: 12; Name: shed\n\n"
    "No.;Time;Celsius(°C);Humidity(%rh);Dew Point(°C)\n1;2026-01-31 08:00:00;21.5;64.0;14.4\n"
    "2;2026-01-31 20:30:00;20.0;70.5;14.5\nEnd of data\n",
    "units in a line of their own": "Time;Temperature;Humidity\n;°F;%RH\n"
    "2026-01-31 08:00;70.7;64\n2026-01-31 20:30;68;70.5\n",
    "compact dates": "stamp,temp,hum\n20260131 08:00,21.5,64\n20260131 20:30,20,70.5\n",
    "months in words": "Time,Temperature,Humidity\n"
    '"Jan 31, 2026 8:00 AM",21.5,64\n"Jan 31, 2026 8:30 PM",20,70.5\n',
    "share of one": "Time,Temperature,Humidity\n2026-01-31 08:00,21.5,0.64\n2026-01-31 20:30,20,0.705\n",
    "newest first": "Time,Temperature,Humidity\n2026-01-31 20:30,20,70.5\n2026-01-31 08:00,21.5,64\n",
    "quoted": '"Time","Temp, indoor (°C)","Humidity"\n'
    '"2026-01-31 08:00","21.5","64"\n"2026-01-31 20:30","20.0","70.5"\n',
    "two devices, one outside": "Time,Temperature max,Temperature,Humidity,Absolute humidity,Battery\n"
    "2026-01-31 08:00,22,21.5,64,12.1,3\n2026-01-31 20:30,21,20,70.5,12.2,3\n",
}


@pytest.mark.parametrize("name", ALIKE)
def test_one_log_in_many_dresses_reads_alike(name: str) -> None:
    assert _values(_read(ALIKE[name])) == MEANT


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_encodings_read_alike(encoding: str) -> None:
    assert _values(_read(ALIKE["German, decimal comma"].encode(encoding))) == MEANT


def test_a_workbook_reads_alike() -> None:
    book = openpyxl.Workbook()
    book.active.append(["Made up logger"])
    sheet = book.create_sheet("Data")
    for row in (["Serial 12"], [], ["Date", "Time", "Temperature °C", "Humidity %"]):
        sheet.append(row)
    for at, temp, rh in MEANT:
        stamp = dt.datetime.fromisoformat(at)
        sheet.append([dt.datetime(stamp.year, stamp.month, stamp.day), stamp.time(), temp, rh])
    out = io.BytesIO()
    book.save(out)
    assert _values(_read(out.getvalue())) == MEANT


@pytest.mark.parametrize(("offset", "shown"), [("Z", 0), ("+00:00", 0), ("-05:00", 5)])
def test_offsets_and_unix_seconds_are_turned_into_the_workshops_clock(offset: str, shown: int) -> None:
    hour = 7 - shown
    text = f"Time,Temperature,Humidity\n2026-01-31T{hour:02d}:00:00{offset},21.5,64\n"
    text += f"2026-01-31T{19 - shown:02d}:30:00{offset},20,70.5\n"
    assert _values(_read(text, {"zone": "Europe/Berlin"})) == MEANT
    seconds = "epoch time,Temperature,Humidity\n1769842800,21.5,64\n1769887800,20,70.5\n"
    assert _values(_read(seconds, {"zone": "Europe/Berlin"})) == MEANT
    thousandths = seconds.replace("800,", "800000,")
    assert _values(_read(thousandths, {"zone": "Europe/Berlin"})) == MEANT


def test_world_time_without_a_zone_is_asked() -> None:
    (asked,) = _asked("Time,Temperature,Humidity\n2026-01-31T07:00:00Z,21.5,64\n")
    assert asked.endswith('Say it, as in --zone "Europe/Berlin".')


LOCAL = "Time,Temperature,Humidity\n2026-01-31T08:00:00+01:00,21.5,64\n2026-01-31T20:30:00+01:00,20,70.5\n"


def test_a_local_offset_without_a_zone_is_passed_over_and_said() -> None:
    readings = _read(LOCAL)
    assert _values(readings) == MEANT
    assert any("offsets in the stamps were passed over" in said for said in readings.said)


def _log(stamps: list[str], start: int = 20) -> str:
    return "Time,Temp,Humidity\n" + "".join(
        f"{s},{start + i % 3},{60 + i % 5}\n" for i, s in enumerate(stamps)
    )


def test_day_or_month_first_is_asked_where_both_are_possible() -> None:
    (asked,) = _asked(_log(["03/04/2026 08:00", "03/04/2026 09:00"]))
    assert asked.endswith('It may be: day first, month first. Say it, as in --dates "day first".')
    told = _read(_log(["03/04/2026 08:00"]), {"dates": "month first"})
    assert told.rows["time"].tolist() == [pd.Timestamp("2026-03-04T08:00")]


def test_two_digits_for_the_year_leave_three_orders_to_ask() -> None:
    (asked,) = _asked(_log(["03-04-05 08:00", "03-04-05 09:00"]))
    assert "It may be: year first, day first, month first." in asked


def test_a_day_after_the_twelfth_settles_the_order() -> None:
    rows = _read(_log(["03/04/2026 23:30", "13/04/2026 00:00"])).rows
    assert rows["time"].iloc[0] == pd.Timestamp("2026-04-03T23:30")


def test_two_columns_of_one_kind_are_asked() -> None:
    text = "Time,Indoor temperature,Outdoor temperature,Humidity\n2026-01-31 08:00,21.5,3,64\n"
    (asked,) = _asked(text)
    assert "It may be: Indoor temperature, Outdoor temperature. Say it, as in --temp" in asked
    assert _read(text, {"temp": "Indoor temperature"}).rows["temp_c"].tolist() == [21.5]


def test_columns_without_names_are_asked() -> None:
    temp, rh = _asked("2026-01-31 08:00,21.5,64\n2026-01-31 09:00,21.0,65\n")
    assert temp.endswith('It may be: column 2, column 3. Say it, as in --temp "column 2".')
    assert rh.endswith('Say it, as in --rh "column 2".')


def test_a_temperature_that_may_be_either_unit_is_asked() -> None:
    (asked,) = _asked("Time,Temperature,Humidity\n2026-01-31 08:00,41,64\n")
    assert asked.endswith('It may be: °C, °F. Say it, as in --temp-unit "°C".')


def test_what_is_not_read_is_named() -> None:
    assert _guess(ALIKE["two devices, one outside"]).ignored == (
        "Temperature max",
        "Absolute humidity",
        "Battery",
    )


def test_rows_without_a_reading_and_equal_rows_are_said() -> None:
    stamps = ["2026-01-31 08:00", "2026-01-31 08:10", "2026-01-31 08:20"]
    text = _log(stamps) + "2026-01-31 08:30,--,60\n2026-01-31 08:20,22,62\n2026-01-31 08:20,22,63\n"
    readings = _read(text)
    assert len(readings.rows) == 4
    assert "1 row without a reading: passed over (row 5)." in readings.said
    assert "1 row equal to an earlier one: taken once (row 6)." in readings.said
    assert any("1 row with a time that an earlier row has too" in said for said in readings.said)


def test_a_clock_that_was_set_back_is_said() -> None:
    readings = _read(_log(["2026-01-31 12:00", "2026-01-31 12:10", "2026-01-31 09:20", "2026-01-31 09:30"]))
    assert any("Times run backwards once, first at row 4," in said for said in readings.said)
    assert readings.rows["time"].is_monotonic_increasing


def test_every_bad_cell_is_named_at_once() -> None:
    text = (
        _log(["2026-01-31 08:00"] * 12).replace("Temp,", "Temp (°C),")
        + "yesterday,21,60\n2026-01-31 09:00,warm,60\n"
    )
    text += "2026-01-31 09:10,21 °F,60\n2026-01-31 09:20,21,140\n"
    with pytest.raises(BadInput) as raised:
        _read(text)
    said = [str(problem) for problem in raised.value.problems]
    assert len(said) == 4
    assert said[0].startswith("log.csv, row 14, column Time: “yesterday” is no date and time")
    assert any("row 15, column Temp (°C): “warm” is not a number." in problem for problem in said)
    assert any("row 16, column Temp (°C): “21 °F” is in °F, but the column is read in °C." in p for p in said)
    assert any("row 17, column Humidity: 140 read in % is outside" in problem for problem in said)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "no row with a date or time"),
        (b"PK\x03\x04rest", "it cannot be read as a workbook"),
        (b"time,temp\nmonday,3\n", "no row with a date or time"),
        (b"time,temp,rh\n2026-01-31 08:00,21,5,64,2\n2026-01-31 08:10,21,5,64,2\n", "but the header names 3"),
        (b"\xff\xfeA", "no row with a date or time"),
        (b"2026-01-31\0,2,3\n", "it is not a text file"),
        (b"date,temp,rh\n2026-01-31,21,64\n", "no column holds a date and a time of day"),
        (b"time,rh\n2026-01-31 08:00,64\n", "no column of numbers is left for the air's temperature"),
    ],
)
def test_files_that_are_no_export_are_refused(data: bytes, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        _guess(data)


@given(st.datetimes(dt.datetime(2000, 1, 1), dt.datetime(2099, 12, 31)), st.sampled_from(["-", "/", "."]))
@settings(deadline=None)
def test_a_stamp_reads_back_in_its_own_order(at: dt.datetime, mark: str) -> None:
    at = at.replace(microsecond=0)
    for order, date in [
        ("year first", "%Y{0}%m{0}%d"),
        ("day first", "%d{0}%m{0}%Y"),
        ("month first", "%m{0}%d{0}%y"),
    ]:
        for clock in ("%H:%M:%S", "%I:%M:%S %p"):
            text = at.strftime(f"{date.format(mark)} {clock}")
            found = moment(text, next(o for o in ORDERS if o == order))
            assert found is not None, text
            assert found.clock == at


@given(st.floats(-50, 150), st.sampled_from(["", " °C", "°F", "%", " %rh"]), st.booleans())
@settings(deadline=None)
def test_a_number_reads_back_with_its_unit(value: float, unit: str, comma: bool) -> None:
    written = f"{value:.2f}{unit}"
    values, units = numbers(pd.Series([written.replace(".", ",") if comma else written]))
    assert values.iloc[0] == pytest.approx(value, abs=0.00501)
    assert (units.iloc[0] == "") == (unit == "")


# merging


STANDS = "time,temp_c,rh_pct,leave_out\n2026-01-31T08:00,20,60,\n2026-01-31T08:20,22,62,door open\n"


def test_a_log_keeps_what_stands_there_and_its_order() -> None:
    readings = _read(
        _log([f"2026-01-31 0{h}:{m}0" for h in (7, 8, 9) for m in range(4)]).replace(
            "07:30,20,63", "07:30,20,60"
        )
    )
    merged = into_room_log(STANDS.encode(), readings)
    lines = merged.data.decode().splitlines()
    assert lines[0] == "time,temp_c,rh_pct,leave_out"
    assert "2026-01-31T08:20,22,62,door open" in lines
    assert merged.added + merged.held == 12
    times = [line.split(",")[0] for line in lines[1:]]
    assert times == sorted(times)


@pytest.mark.slow
@given(st.lists(st.integers(0, 40), min_size=1, max_size=30, unique=True), st.data())
@settings(deadline=None, max_examples=10)
def test_overlapping_exports_make_one_log_in_any_order(minutes: list[int], data: st.DataObject) -> None:
    base = dt.datetime(2026, 1, 31, 8)
    lines = [
        f"{base + dt.timedelta(minutes=m):%Y-%m-%d %H:%M},{15 + m / 10:.1f},{60 + m % 7}"
        for m in sorted(minutes)
    ]
    parts = [data.draw(st.lists(st.sampled_from(lines), min_size=1, unique=True)) for _ in range(2)] + [lines]
    standing: bytes | None = None
    for part in parts:
        readings = _read("Time,Temperature,Humidity\n" + "\n".join(sorted(part)) + "\n")
        merged = into_room_log(standing, readings)
        again = into_room_log(merged.data, readings)
        assert (again.added, again.data) == (0, merged.data)
        standing = merged.data
    assert standing is not None
    wanted = [line.replace(" ", "T").replace(".0,", ",") for line in lines]
    assert standing.decode().splitlines()[1:] == wanted


@pytest.mark.parametrize("tail", ["", "\n"])
def test_rows_at_the_end_leave_the_bytes_before_them(tail: str) -> None:
    text = STANDS.rstrip("\n").replace(",door open", ",") + tail
    merged = into_room_log(text.encode(), _read(_log(["2026-01-31 09:00", "2026-01-31 09:10"])))
    assert merged.data.startswith(text.encode())
    assert merged.data.decode().splitlines()[3:] == ["2026-01-31T09:00,20,60,", "2026-01-31T09:10,21,61,"]
