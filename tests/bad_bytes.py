"""Trials and exports spoilt at random: the same number makes the same case again."""

from __future__ import annotations

import csv
import io
import random
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from sound_trial import RUNS, TOML, TOUCH

from fizzlab.errors import BadInput
from fizzlab.trial.folder import load
from fizzlab.trial.importing import read
from fizzlab.trial.loggers import guess, lay_out

#: Sections that the small trial lacks, so that every reader of settings is tried.
MORE_TOML = """
[drying]
air = "none"
shares = [0.5, 0.9]
forecast_air = { temp_c = 16, rh_pct = 70 }

[plan]
kind = "factorial"
runs = 8
tables = ["touch_checks", "weighings"]
pieces = 3
checks_h = [2, 3, 4.5, 24]

[recipe]
pieces = 6
piece_g = 80

[[recipe.ingredients]]
name = "soda"
kind = "sodium bicarbonate"
amount = "260 g"
price = 2.40
pack = "1 kg"

[[recipe.ingredients]]
name = "acid"
kind = "citric acid"
amount = "1/2 cup"

[imports.hygrometer]
time = "Zeit"
dates = "day first"
temp = "Temperatur"
temp_unit = "°C"
rh = "Feuchte"
rh_unit = "%"
zone = "Europe/Berlin"
"""

TABLES = {
    "runs": RUNS,
    "touch_checks": TOUCH,
    "weighings": "run,piece,checked_at,mass_g,leave_out\nA,1,2026-01-05T09:00,30.1,\n"
    "A,1,05.01.2026 12:00,29.5,\n",
    "tumbles": "run,pieces,before_g,after_g,broken\nA,4,120.5,118.2,0\nB,4,121,110,1\n",
    "drops": "run,piece,height_cm,broke,order\nA,1,20,no,1\nA,2,30,yes,2\n",
    "crumble_scores": "blind,piece,rater,score\nK7,1,Ann,0\nK8,2,Bo,4\n",
    "fizz_times": "run,piece,water_c,seconds,done,colour_s\nA,1,35.2,152,yes,6\nB,1,35,200,no,\n",
    "fizz_curves": "run,piece,water_c,seconds,mass_g\nA,1,35,0,400.1\nA,1,35,20,399.2\n",
    "shelf": "run,piece,weeks,rh_pct,gas_g\nA,1,0,,6.5\nA,2,3,36%,6.2\n",
    "room_log": "time,temp_c,rh_pct\n2026-01-05T08:00,14.0,70%\n2026/01/05 08:30,14.1,69\n",
}

EXPORTS = [
    "Invented\n\nDatum;Uhrzeit;Temperatur (°C);Feuchte;Taupunkt\n31.01.2026;08:00;21,5;64%;9\n"
    "01.02.2026;08:10;--;64%;9\n",
    "Date,Time,Temp(F),RH(%)\n10/26/2025,1:50:00 AM,70.7,64\n10/26/2025,1:00:00 AM,68,70.5\n",
    "unix,temp,hum\n1761436800,21.5,64\n1761440400,20,70\n",
]

_SPOILT = [
    *(
        b'"',
        b"''",
        b"\0",
        b"\xef\xbb\xbf",
        b"\xff\xfe",
        b"=1+1",
        b"@SUM(A1)",
        b"1e999",
        b"-1e-320",
        b"nan",
        b"-inf",
    ),
    *(
        "𝟘".encode(),
        "٣".encode(),
        "ⅷ".encode(),
        "½".encode(),
        "\u2028".encode(),
        "\u202e".encode(),
        b"\xed\xa0\x80",
    ),
    *(
        b"\r",
        b"\x1a",
        b"\x7f",
        b"9" * 400,
        b"0" * 5000,
        b"0001-01-01",
        b"2026-02-30T25:61",
        b"9999-12-31T23:59",
    ),
    *(
        b"2262-04-12",
        b"1e18",
        b"12:00 PM",
        b"+99:99",
        b",",
        b";",
        b"\t",
        b"\n\n\n",
        b"[",
        b"]]",
        b"{",
        b"}",
        b"#",
    ),
    *(
        b"'''",
        b'"""',
        b"\\u0000",
        b"\\",
        b"true",
        b"[a.b]\n",
        b"[[x]]\n",
        b"__class__",
        b"../..",
        b"%s{0}$",
        b"1_000",
    ),
    *(
        b"0x1F",
        b"07:32:00",
        b"1979-05-27T07:32:00Z",
        b"--",
        b"yes",
        b"leave_out",
        b"run",
        b"\xc3\xa9",
        b"e\xcc\x81",
    ),
]


@dataclass(frozen=True)
class Case:
    """Files of a trial folder, or one export; `spoilt` names what was changed."""

    number: int
    spoilt: str
    files: dict[str, bytes]


def mutated(data: bytes, rng: random.Random) -> bytes:
    """A few random changes."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        at = rng.randrange(len(data) + 1)
        to = min(len(data), at + rng.choice((1, 2, 5, 30)))
        kind = rng.randrange(7)
        if kind == 0 and at < len(data):
            data = data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
        elif kind == 1:
            data = data[:at] + data[to:]
        elif kind == 2:
            data = data[:to] + data[at:to] * rng.choice((1, 3)) + data[to:]
        elif kind in (3, 4):
            data = data[:at] + rng.choice(_SPOILT) + data[at if kind == 3 else to :]
        elif kind == 5:
            lines = data.split(b"\n")
            rng.shuffle(lines)
            data = b"\n".join(lines)
        else:
            data = data[:at] + bytes(rng.randrange(256) for _ in range(rng.choice((1, 3)))) + data[to:]
    return data


@lru_cache(maxsize=1)
def _book() -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    for name in ("runs", "touch_checks"):
        sheet = book.create_sheet(name)
        for row in csv.reader(TABLES[name].splitlines()):
            sheet.append([float(cell) if cell.replace(".", "").isdigit() else cell for cell in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def book_with(part: str, change: Callable[[str], str]) -> bytes:
    """A sound workbook of two tables, with the text of the parts changed whose name holds `part`."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(_book())) as good,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as changed,
    ):
        for name in good.namelist():
            text = good.read(name).decode()
            changed.writestr(name, change(text) if part in name and "_rels" not in name else text)
    return out.getvalue()


def _spoilt_book(rng: random.Random) -> bytes:
    """A workbook spoilt as a file, or with one part inside it spoilt."""
    if rng.random() < 0.3:
        return mutated(_book(), rng)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_book())) as good, zipfile.ZipFile(out, "w") as bad:
        names = good.namelist()
        victim = rng.choice([*names, *(name for name in names if "sheet" in name), "xl/sharedStrings.xml"])
        for name in names:
            data = good.read(name)
            bad.writestr(name, mutated(data, rng) if name == victim else data)
    return out.getvalue()


def spoilt_trial(number: int) -> Case:
    """A small trial with one file spoilt."""
    rng = random.Random(f"trial {number}")
    files = {"trial.toml": TOML.encode(), "runs.csv": RUNS.encode()}
    kind = number % 10
    if kind in (0, 1):
        spoilt = "trial.toml"
        files[spoilt] = mutated((TOML + MORE_TOML).encode(), rng)
    elif kind == 2:
        del files["runs.csv"]
        spoilt = "readings.xlsx"
        files[spoilt] = _spoilt_book(rng)
    else:
        name = rng.choice(list(TABLES))
        spoilt = f"{name}.csv"
        files[spoilt] = mutated(TABLES[name].encode(), rng)
    return Case(number, spoilt, files)


def spoilt_export(number: int) -> Case:
    """An export with a few changes."""
    rng = random.Random(f"export {number}")
    return Case(number, "export.csv", {"export.csv": mutated(rng.choice(EXPORTS).encode(), rng)})


def fault_of_trial(case: Case, folder: Path) -> str:
    """What is wrong with how the door takes a case; empty where it does what it must.

    It must load or raise BadInput, whose sentences name a file of the folder; no file is changed, lost or
    added.
    """
    for name, data in case.files.items():
        (folder / name).write_bytes(data)
    try:
        load(folder)
        fault = ""
    except BadInput as error:
        fault = _sentences(error, {*case.files, "runs.csv", "trial.toml"})
    except Exception as error:
        fault = f"{type(error).__name__}: {error}"
    left = {path.name: path.read_bytes() for path in folder.iterdir()}
    if left != case.files:
        fault += " The folder was changed."
    for name in left:
        (folder / name).unlink()
    return fault


def fault_of_export(case: Case) -> str:
    """As `fault_of_trial`, for an export that is to be imported."""
    try:
        layout = lay_out("export.csv", case.files["export.csv"])
        read(layout, guess(layout).mapping)
    except BadInput as error:
        return _sentences(error, {"export.csv"})
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    return ""


def _sentences(error: BadInput, names: set[str]) -> str:
    for problem in error.problems:
        if not any(problem.where == name or problem.where.startswith(f"{name}, ") for name in names):
            return f"a problem names no file: {problem}"
        if not problem.what.endswith((".", "!", "?")) or "\n" in problem.where:
            return f"a problem is no sentence: {problem}"
    return "" if error.problems else "no problem is named"
