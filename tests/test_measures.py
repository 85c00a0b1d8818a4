"""A measure fizzlab never heard of: an entry gives it a table, checks, a comparison, words and a picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner

from fizzlab import measures
from fizzlab.bench.planfiles import write_plan
from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.measures import MEASURES, TABLES, Measure, Words, register
from fizzlab.report import parts
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Findings, Picture
from fizzlab.report.parts.front import glance
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

SCENT = Measure(
    "scent",
    "scent after a week",
    "points",
    "difference",
    table="scent",
    column="scent",
    words=Words("smell {much}more after a week", "smell {much}less after a week"),
    low=0,
    high=10,
    decimals=1,
)

#: The same, as a maker declares it.
OWN = """
[responses.scent]
label = "scent after a week"
unit = "points"
scale = "difference"
per = "piece"
low = 0
high = 10
"""


def smelt(shift: float = 2.0) -> tuple[str, str]:
    """Batches of four days, and what each of two pieces smells of: dye by two points more than pearl."""
    rng = np.random.default_rng(3)
    runs, scent = ["run,day,colour,binder_g"], ["run,piece,scent,note"]
    for day in range(1, 5):
        for place in range(4):
            run, colour = f"{day}{'ABCD'[place]}", ("pearl", "dye")[place % 2]
            runs.append(f"{run},{day},{colour},{(0.6, 1.2)[place // 2]}")
            base = 4 + shift * (colour == "dye") + 0.3 * rng.normal()
            scent += [f"{run},{piece},{base + 0.1 * rng.normal():.1f}," for piece in (1, 2)]
    return "\n".join(runs) + "\n", "\n".join(scent) + "\n"


@pytest.fixture
def registered() -> Iterator[Measure]:
    register(SCENT)
    yield SCENT
    del MEASURES["scent"], TABLES["scent"]


def folder_of(make_trial: MakeTrial, own: str = "") -> Path:
    runs, scent = smelt()
    folder = make_trial(runs__csv=runs, scent__csv=scent, touch_checks__csv=None, room_log__csv=None)
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write(own)
    return folder


def check_all(folder: Path, more: str) -> Analysis:
    """Table, comparison, sentence, front page, picture."""
    done = analyse(load(folder))
    assert done.numbers == ("scent",)
    (effect,) = done.of("colour", "scent")
    assert effect.conf_low < 2.0 < effect.conf_high
    pieces = parts.compared(done)
    (said,) = [
        each.sentence
        for piece in pieces
        if isinstance(piece, Findings)
        for each in piece.findings
        if each.topic == "changed.scent.colour[dye]"
    ]
    assert said.startswith(f"Pieces with dye {more}")
    assert "Scent after a week" in glance(done).rows
    pictures = [piece for piece in pieces if isinstance(piece, Picture)]
    assert "Scent after a week, points" in pictures[0].alt
    return done


def test_a_registered_measure_is_read_checked_compared_told_and_drawn(
    make_trial: MakeTrial, registered: Measure
) -> None:
    done = check_all(folder_of(make_trial), "smell ")
    assert done.study("scent") is not None
    (made_up,) = [measures.piece_table(registered)]
    assert [column.name for column in made_up.columns] == ["run", "piece", "scent", "note"]


def test_a_makers_own_measure_is_too(make_trial: MakeTrial) -> None:
    check_all(folder_of(make_trial, OWN), "have ")
    assert "scent" not in MEASURES


def test_its_table_is_checked(make_trial: MakeTrial, registered: Measure) -> None:
    folder = folder_of(make_trial)
    for rows, where in (("1A,1,11\n1B,1,nice\n", [2, 3]), ("1A,1,5\n1A,1,6\n9Z,1,4\n", [3, 4])):
        (folder / "scent.csv").write_text("run,piece,scent\n" + rows, encoding="utf-8")
        with pytest.raises(BadInput) as error:
            load(folder)
        assert [problem.row for problem in error.value.problems if problem.weight == "problem"] == where


def test_it_can_be_planned_and_filled_in_at_the_bench(make_trial: MakeTrial) -> None:
    folder = make_trial(runs__csv=None, touch_checks__csv=None, room_log__csv=None)
    toml = (folder / "trial.toml").read_text(encoding="utf-8").split("[factors.binder_g]")[0]
    plan = '\n[plan]\nkind = "compare"\nbatches_per_day = 4\ndays = 2\npieces = 2\ntables = ["scent"]\n'
    (folder / "trial.toml").write_text(toml + OWN + plan, encoding="utf-8")
    write_plan(folder)
    sheet = openpyxl.load_workbook(folder / "readings.xlsx")["scent"]
    assert [cell.value for cell in sheet[1]][3:6] == ["run", "piece", "scent"]
    assert sheet.max_row == 1 + 8 * 2
    assert "scent after a week" in (folder / "bench-sheet.html").read_text(encoding="utf-8").casefold()
    assert CliRunner().invoke(main, ["check", str(folder)]).exit_code == 0
