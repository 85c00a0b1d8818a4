"""Renew the table in docs/methods/records.md of what was tried, how often and what was lost.

Run by hand: python tests/faults/told.py [NAME...]    (all: some minutes of a quiet computer; Linux or macOS)
"""

from __future__ import annotations

import json
import platform
import re
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(1, str(HERE.parent))
from stops import AT_ONCE, COMMANDS, stopped  # noqa: E402

FOUND = HERE / "found.json"
PAGE = HERE.parents[1] / "docs" / "methods" / "records.md"
BEGIN, END = "<!-- made by tests/faults/told.py -->", "<!-- end -->"
HOW = {"killed": "killed", "one step fails": "full once", "full for good": "full for good, every third step"}
ROUNDS = 10


def try_out(name: str) -> dict[str, Any]:
    """What a command, or several at once, came to."""
    if name in COMMANDS:
        found: dict[str, Any] = {}
        for how in HOW:
            with tempfile.TemporaryDirectory() as place:
                tally = stopped(COMMANDS[name], Path(place), how)
            found[how] = [tally.stops, tally.old, tally.new, len(tally.mixed), tally.left]
        return found
    with tempfile.TemporaryDirectory() as place:
        rounds = [AT_ONCE[name](Path(place) / str(each)) for each in range(ROUNDS)]
    return {"done": [sum(each) for each in zip(*rounds, strict=True)]}


def table(found: dict[str, Any]) -> str:
    told = ["| what was stopped | how | times | all old | all new | a mixture | left over |"]
    told += ["|---|---|--:|--:|--:|--:|--:|"]
    sums = [0] * 5
    for name, command in COMMANDS.items():
        for how, words in HOW.items() if name in found else ():
            cells = found[name][how]
            sums = [a + b for a, b in zip(sums, cells, strict=True)]
            told.append(f"| {command.words} | {words} | {' | '.join(map(str, cells))} |")
    told.append(f"| all | | {' | '.join(f'{each:,}' for each in sums)} |")
    lacking = [command.words for name, command in COMMANDS.items() if name not in found]
    told += ["", f"Not counted yet: {', '.join(lacking)}."] * bool(lacking)
    told += ["", "| at once, each a process | rounds | said to be done | things in these | found |"]
    told += ["|---|--:|--:|--:|--:|"]
    for name in filter(found.__contains__, AT_ONCE):
        done, held, said = found[name]["done"]
        told.append(f"| {name} | {ROUNDS} | {done} | {said} | {held} |")
    return "\n".join(told)


def main(names: list[str]) -> None:
    found: dict[str, Any] = {}
    for name in names or [*COMMANDS, *AT_ONCE]:
        came_to = try_out(name)
        print(name, came_to, flush=True)
        found = json.loads(FOUND.read_text(encoding="utf-8")) if FOUND.exists() else {}
        found |= {name: came_to, "where": f"On {platform.system()}, Python {platform.python_version()}:"}
        FOUND.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    told = f"{BEGIN}\n{found['where']}\n\n{table(found)}\n{END}"
    text = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(re.sub(f"{BEGIN}.*?{END}", lambda _: told, text, flags=re.DOTALL), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
