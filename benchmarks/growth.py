"""How processor time and memory grow: the real commands, each a process, at four sizes, and the slope.

Run by hand: python benchmarks/growth.py [NAME...]

The slope is that of log time (or log memory above that of an empty command) over log size, between the two
larger sizes: 1 grows as the size does, 2 as its square. Trials are invented.
"""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

TOML = """\
code = "quay"
title = "Two ways of colouring"
question = "Does dye dry slower than pearl?"

[factors.colour]
levels = ["pearl", "dye"]
control = "pearl"
"""


class Case(NamedTuple):
    """What grows, the sizes, what is made beforehand, and the arguments of Python."""

    what: str
    sizes: tuple[int, ...]
    make: Callable[[Path, int], None]
    run: Callable[[Path], list[str]]


def trial(folder: Path, batches: int, pieces: int = 8) -> None:
    """Batches of two ways, six a day, touched at ten hours and weighed at five."""
    rng = np.random.default_rng(batches)
    folder.mkdir()
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    runs, touched, weighed = ["run,day,made_at,colour"], ["run,piece,hours,dry"], ["run,piece,hours,mass_g"]
    looks = np.geomspace(8, 60, 10)
    for batch in range(batches):
        day, way = batch // 6, ("pearl", "dye")[batch % 2]
        name, location = f"R{batch:04d}", 3 + 0.2 * (way == "dye") + 0.15 * rng.normal()
        at = f"{2020 + day // 336}-{1 + day // 28 % 12:02d}-{1 + day % 28:02d}T{8 + batch % 6:02d}:00"
        runs.append(f"{name},{day + 1},{at},{way}")
        for piece in range(1, pieces + 1):
            dry = math.exp(location + 0.2 * rng.normal())
            for hours in looks:
                touched.append(f"{name},{piece},{hours:.2f},{'yes' if hours > dry else 'no'}")
            for hours in (0, 6, 18, 36, 72):
                mass = 80 + 3 * math.exp(-hours / (dry / 3)) + 0.02 * rng.normal()
                weighed.append(f"{name},{piece},{hours},{mass:.2f}")
    for table, rows in (("runs", runs), ("touch_checks", touched), ("weighings", weighed)):
        (folder / f"{table}.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")


def ledger(folder: Path, records: int) -> None:
    """A ledger of so many records, each with the files that a report has, and what a search reads."""
    from fizzlab.records.ledger import FIRST, Report, line_of, sha256

    home, before, lines = folder / "records", FIRST, list[bytes]()
    home.mkdir(parents=True)
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    names = [*(f"figures/{n}.svg" for n in range(10)), "findings.json", "inputs.json", "report.html"]
    said = [{"topic": "answer", "sentence": f"Dye dries {n} % slower than pearl."} for n in range(20)]
    for number in range(1, records + 1):
        entry = {
            "at": "2026-01-07T10:00:00+00:00", "batches": 12, "before": before, "by": "", "checked_by": "",
            "date": "2026-01-07", "deviations": [], "entry": number, "files": dict.fromkeys(names, "a" * 64),
            "format": 1, "inputs": {"runs.csv": "b" * 64}, "kind": "report", "lots": {},
            "notebook": {"name": "trial_report", "sha256": "0" * 64}, "number": number,
            "parameters_sha256": "1" * 64, "record": f"quay-{number}", "title": "Two ways of colouring",
            "trial": "quay", "versions": {"python": "3.11.7"},
        }  # fmt: skip
        line = line_of(Report.model_validate(entry))
        lines.append(line)
        before = sha256(line)
        (home / f"quay-{number}").mkdir()
        for name, told in (("findings", said), ("inputs", {"parameters": {"question": "?"}, "notes": []})):
            (home / f"quay-{number}" / f"{name}.json").write_text(json.dumps(told), encoding="utf-8")
    (home / "ledger.jsonl").write_bytes(b"\n".join([*lines, b""]))


def logged(folder: Path, readings: int) -> None:
    """A trial, and a hygrometer's export of so many readings beside it."""
    trial(folder, 12)
    stamps = np.datetime64("2020-01-01T00:00") + 5 * np.arange(readings).astype("timedelta64[m]")
    rows = [
        f"{str(stamp).replace('T', ' ')},{15 + n % 50 / 10:.1f},{60 + n % 20}"
        for n, stamp in enumerate(stamps)
    ]
    text = "\n".join(["time,temperature (°C),humidity (%)", *rows, ""])
    (folder.parent / "export.csv").write_text(text, encoding="utf-8")


def journalled(folder: Path, lines: int) -> None:
    """A trial at the bench with a journal of so many lines."""
    trial(folder, 12)
    opened = json.dumps({"did": "open"}, separators=(",", ":"))
    (folder / "bench-log.jsonl").write_text(f"{opened}\n" * lines, encoding="utf-8")


def command(*words: str) -> Callable[[Path], list[str]]:
    return lambda folder: ["-m", "fizzlab", *(word.format(folder=folder) for word in words)]


def script(text: str) -> Callable[[Path], list[str]]:
    load = "import fizzlab as fl; t = fl.load_trial({!r}); runs = t.rows('runs'); "
    return lambda folder: ["-c", load.format(str(folder)) + text]


_TOUCH = "print(fl.fit_curing_time(t.rows('touch_checks'), 'colour', runs=runs).n_batches)"
_WEIGH = "print(fl.fit_drying_curve(t.rows('weighings'), 'colour', runs=runs).n_batches)"
_PRESS = (
    "import sys, time; from fizzlab.bench.logbook import Logbook; b = Logbook(sys.argv[1]); "
    "s = time.perf_counter(); b.log('touch_checks', 'R0000', '1', {'dry': 'yes'}, 1577865600.0 + 360000); "
    "print(time.perf_counter() - s)"
)

CASES = {
    "list": Case("records", (500, 1000, 2000, 5000), ledger, command("records", "list", "{folder}")),
    "find": Case(
        "records", (500, 1000, 2000, 5000), ledger, command("records", "find", "{folder}", "slower")
    ),
    "show": Case("records", (500, 1000, 2000, 5000), ledger, command("records", "show", "{folder}", "400")),
    "check": Case("batches of 8 pieces", (60, 125, 250, 500), trial, command("check", "{folder}")),
    "touch": Case("batches of 8 pieces", (30, 60, 120, 240), trial, script(_TOUCH)),
    "weighings": Case("batches of 8 pieces", (60, 125, 250, 500), trial, script(_WEIGH)),
    "report": Case("batches of 8 pieces", (6, 12, 24, 48), trial, command("report", "{folder}")),
    "import": Case(
        "readings",
        (5_000, 20_000, 50_000, 100_000),
        logged,
        command("import", "{folder}", "{folder}/../export.csv", "--yes"),
    ),
    "bench": Case(
        "lines of the journal",
        (1_000, 10_000, 50_000, 100_000),
        journalled,
        lambda at: ["-c", _PRESS, str(at)],
    ),
}


def measured(arguments: list[str]) -> tuple[float, float]:
    """Seconds of processor time and peak megabytes of one process."""
    child = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    said = child.stderr.read() if child.stderr else b""
    _, status, used = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 1):
        raise SystemExit(said.decode())
    return used.ru_utime + used.ru_stime, used.ru_maxrss / (1024 if sys.platform != "darwin" else 2**20)


def main(names: list[str]) -> None:
    """Print a table a command: each size, then the slope."""
    idle, empty = measured(["-m", "fizzlab", "records", "list", "--help"])
    print(f"an empty command: {idle:.2f} s, {empty:.0f} MB")
    for name in names or CASES:
        case, found = CASES[name], list[tuple[float, float]]()
        for size in case.sizes:
            with tempfile.TemporaryDirectory() as home:
                case.make(Path(home) / "quay", size)
                found.append(measured(case.run(Path(home) / "quay")))
            print(f"{name}, {size} {case.what}: {found[-1][0]:.2f} s, {found[-1][1]:.0f} MB", flush=True)
        grown = math.log(case.sizes[-1] / case.sizes[-2])
        slopes = [
            math.log(max(b - least, 0.01) / max(a - least, 0.01)) / grown
            for a, b, least in zip(*found[-2:], (idle, empty), strict=True)
        ]
        print(f"{name}: time grows as size to the {slopes[0]:.1f}, memory to the {slopes[1]:.1f}")


if __name__ == "__main__":
    main(sys.argv[1:])
