"""What a press at the bench costs as a season's journal grows: PYTHONPATH=. python benchmarks/bench_press.py

For journals of so many lines, three a press: the time to open the trial, and of a press (the middle of nine
touches), with the readings in CSV files; and its slope on log scales, 0 where it does not grow.
"""

from __future__ import annotations

import csv
import json
import math
import statistics
import tempfile
import time
from pathlib import Path

from fizzlab.bench.buttons import Bench
from fizzlab.bench.logbook import Logbook
from fizzlab.trial.journal import JOURNAL

TOML = """code = "season"
title = "A season"
question = "Does a press stay quick?"
[factors.colour]
levels = ["pearl", "dye"]
control = "pearl"
[plan]
kind = "compare"
days = 2
batches_per_day = 2
pieces = 8
checks_h = [2, 3, 4, 6, 8, 12, 24]
tables = ["touch_checks"]
"""
PIECES, LOOKS = 8, (2, 3, 4, 6, 8, 12)


def season(folder: Path, lines: int) -> int:
    """A folder in which so many lines were logged; its number of batches."""
    batches = math.ceil(lines / 3 / PIECES / len(LOOKS)) + 1
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    with (folder / "runs.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["run", "day", "blind", "made_at", "colour", "note"])
        for run in range(batches):
            made = f"2026-{1 + run // 60 % 12:02}-{1 + run // 2 % 28:02}T{7 + run % 2:02}:00"
            rows.writerow([f"R{run:04}", run // 2, f"{1000 + run}", made, ("pearl", "dye")[run % 2], ""])
    header, number = ["run", "piece", "hours", "dry", "note"], 0
    with (
        (folder / "touch_checks.csv").open("w", newline="") as table,
        (folder / JOURNAL).open("w") as journal,
    ):
        rows = csv.writer(table)
        rows.writerow(header)
        for run in range(batches):
            for piece in range(PIECES):
                for hours in LOOKS:
                    if 3 * number >= lines:
                        return batches
                    number += 1
                    dry = "yes" if hours > 6 else "no"
                    cells = dict(zip(header, [f"R{run:04}", f"{piece + 1}", f"{hours}", dry], strict=False))
                    rows.writerow([*cells.values(), ""])
                    log = {"did": "log", "id": number, "at": 1.8e9, "table": "touch_checks", "cells": cells}
                    writing = {"did": "writing", "id": number, "changes": [[number + 1, None, cells]]}
                    for line in ({**log, "says": "wet"}, writing, {"did": "written", "id": number}):
                        journal.write(json.dumps(line) + "\n")
    return batches


def main() -> None:
    """Print the table."""
    seen = []
    print("lines     open, s   press, s   with the page's own work, s")
    for lines in (1_000, 10_000, 100_000):
        with tempfile.TemporaryDirectory() as home:
            batches = season(Path(home), lines)
            began = time.process_time()
            book = Logbook(home)
            opened = time.process_time() - began
            tray = book.tray(f"R{batches - 1:04}")
            now = (tray.made_at or 0.0) + 6 * 3600
            page = Bench(book, clock=lambda: now)  # noqa: B023
            page.tray.value = tray.run
            presses, whole = [], []
            for piece in range(9):
                now += 60
                began = time.process_time()
                book.log("touch_checks", tray.run, f"{piece + 11}", {"dry": "no"}, now)
                presses.append(time.process_time() - began)
                now += 60
                page.piece.value = None
                page.other.value = f"{piece + 31}"
                began = time.process_time()
                page.cards["touch_checks"].buttons["no"].click()
                whole.append(time.process_time() - began)
                assert "Logged" in page.message.value, page.message.value
        seen.append((lines, statistics.median(whole)))
        print(
            f"{lines:7,}   {opened:7.2f}   {statistics.median(presses):8.4f}   {seen[-1][1]:8.4f}", flush=True
        )
    (least, first), (most, last) = seen[0], seen[-1]
    print(f"slope {math.log(last / first) / math.log(most / least):.2f}, {last / first:.1f} times")


if __name__ == "__main__":
    main()
