"""Renew the table in docs/methods/records.md of what was tried, how often and what was lost.

Run by hand: python tests/faults/page.py [ROUNDS]    (some minutes; Linux or macOS)
"""

from __future__ import annotations

import platform
import re
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "docs" / "methods" / "records.md"
BEGIN, END = "<!-- made by tests/faults/page.py -->", "<!-- end -->"
HOW = {"killed": "killed", "one step fails": "full once", "full for good": "full for good, every third step"}


def rows(rounds: int) -> list[str]:
    from stops import AT_ONCE, COMMANDS, stopped

    told = [
        "| what was stopped | how | times | all old | all new | a mixture | left over |",
        "|---|---|--:|--:|--:|--:|--:|",
    ]
    for command in COMMANDS.values():
        for how, words in HOW.items():
            with tempfile.TemporaryDirectory() as place:
                found = stopped(command, Path(place), how)
            cells = (found.stops, found.old, found.new, len(found.mixed), found.left)
            told.append(f"| {command.words} | {words} | {' | '.join(map(str, cells))} |")
            print(told[-1], flush=True)
    told += [
        "",
        "| at once, in processes of their own | rounds | said to be done | things in these | found there |",
    ]
    told += ["|---|--:|--:|--:|--:|"]
    for words, tried in AT_ONCE.items():
        with tempfile.TemporaryDirectory() as place:
            found_each = [tried(Path(place) / str(each)) for each in range(rounds)]
        done, held, said = (sum(each) for each in zip(*found_each, strict=True))
        told.append(f"| {words} | {rounds} | {done} | {said} | {held} |")
        print(told[-1], flush=True)
    return told


def main(rounds: int) -> None:
    text = PAGE.read_text(encoding="utf-8")
    where = f"On {platform.system()}, Python {platform.python_version()}:"
    table = "\n".join([BEGIN, where, "", *rows(rounds), END])
    PAGE.write_text(re.sub(f"{BEGIN}.*?{END}", lambda _: table, text, flags=re.DOTALL), encoding="utf-8")


if __name__ == "__main__":
    sys.path[:0] = [str(HERE), str(HERE.parent)]
    main(int(sys.argv[1]) if sys.argv[1:] else 10)
