"""A measure without code of its own: declared in trial.toml or registered, its table is read and checked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl
import pytest
from sound_trial import RUNS, TOML

from fizzlab import measures
from fizzlab.errors import BadInput
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

SCENT = """
[responses.scent]
label = "scent after a week"
unit = "points"
scale = "difference"
low = 0
high = 10
per = "piece"
"""
READ = "run,piece,scent\nA,1,7\nA,2,6,5\nB,1,3\n".replace("6,5", '"6,5"')


@pytest.fixture
def registered() -> Iterator[None]:
    known, tables = dict(measures.MEASURES), dict(measures.TABLES)
    scent = measures.Measure(
        "scent", "scent after a week", "points", "difference", "scent", "scent", low=0, high=10
    )
    measures.register(scent)
    yield
    for held, before in ((measures.MEASURES, known), (measures.TABLES, tables)):
        held.clear()
        held.update(before)  # type: ignore[arg-type]


def _values(folder: Path) -> list[tuple[str, str, float]]:
    rows = load(folder).rows("scent")
    return list(zip(rows["run"], rows["piece"], rows["scent"], strict=True))


MEANT = [("A", "1", 7.0), ("A", "2", 6.5), ("B", "1", 3.0)]


def test_a_table_of_ones_own_is_read(make_trial: MakeTrial) -> None:
    folder = make_trial(trial__toml=TOML + SCENT, scent__csv=READ)
    trial = load(folder)
    assert _values(folder) == MEANT
    assert trial.settings.measure("scent").titled == "scent after a week, points"
    assert folder / "scent.csv" in trial.inputs
    assert "scent" not in trial.absent()


def test_a_registered_table_is_read(registered: None, make_trial: MakeTrial) -> None:
    assert _values(make_trial(scent__csv=READ)) == MEANT


def test_a_sheet_of_ones_own_is_read(make_trial: MakeTrial) -> None:
    folder = make_trial(trial__toml=TOML + SCENT)
    book = openpyxl.Workbook()
    book.active.title = "Scent"
    for row in [("run", "piece", "scent"), *MEANT]:
        book.active.append(row)
    book.save(folder / "readings.xlsx")
    assert _values(folder) == MEANT


def test_an_absent_table_of_ones_own_is_empty(make_trial: MakeTrial) -> None:
    trial = load(make_trial(trial__toml=TOML + SCENT))
    assert list(trial.rows("scent").columns) == ["run", "piece", "scent", "note"]
    assert "scent" in trial.absent()


def test_everything_wrong_in_a_table_of_ones_own_is_named(make_trial: MakeTrial) -> None:
    rows = "A,1,7\nA,1,8\nA,2,strong\nB,1,12\nZ,1,5\n"
    with pytest.raises(BadInput) as raised:
        load(make_trial(trial__toml=TOML + SCENT, scent__csv=f"run,piece,scent\n{rows}"))
    cells = "\n".join(map(str, raised.value.problems))
    assert "scent.csv, row 4, column scent: “strong” is not a number." in cells
    assert "scent.csv, row 5, column scent: 12 is outside what is possible here (0 to 10)." in cells
    sound = rows.replace("strong", "6").replace("12", "1")
    with pytest.raises(BadInput) as raised:
        load(make_trial(trial__toml=TOML + SCENT, scent__csv=f"run,piece,scent\n{sound}"))
    cells = "\n".join(map(str, raised.value.problems))
    assert "scent.csv, row 3, column piece: it repeats row 2 (run A, piece 1)." in cells
    assert "scent.csv, row 6, column run: “Z” is not a batch that runs names." in cells


def test_rows_without_a_reading_are_passed_over_and_left_out_ones_kept(make_trial: MakeTrial) -> None:
    scent = "run,piece,scent,leave_out\nA,1,7,\nA,2,,\nB,1,3,spilt\n"
    trial = load(make_trial(trial__toml=TOML + SCENT, scent__csv=scent))
    assert trial.rows("scent")["scent"].tolist() == [7.0]
    assert trial.left_out()["reason"].tolist() == ["spilt"]
    assert any("row 3: no reading, passed over." in str(doubt) for doubt in trial.doubts)


def test_ones_own_scores_may_be_blind(make_trial: MakeTrial) -> None:
    runs = RUNS.replace("binder_g,note", "binder_g,blind,note").replace("0.6,", "0.6,K7,", 1)
    folder = make_trial(
        trial__toml=TOML + SCENT, runs__csv=_padded(runs), scent__csv="blind,piece,scent\nK7,1,4\n"
    )
    assert _values(folder) == [("A", "1", 4.0)]


def _padded(runs: str) -> str:
    """Every row as long as the header."""
    width = runs.split("\n", 1)[0].count(",")
    return "\n".join(line + "," * (width - line.count(",")) for line in runs.splitlines()) + "\n"


@pytest.mark.parametrize("name", ["drops", "shelf", "piece", "run"])
def test_a_table_of_ones_own_has_a_name_of_its_own(name: str, make_trial: MakeTrial) -> None:
    with pytest.raises(BadInput, match="may not be called so"):
        load(make_trial(trial__toml=TOML + SCENT.replace("responses.scent", f"responses.{name}")))


def test_ends_of_a_scale_belong_to_ones_own_alone(make_trial: MakeTrial) -> None:
    with pytest.raises(BadInput, match="fizzlab knows the high of score"):
        load(make_trial(trial__toml=TOML + "[responses.score]\nhigh = 9\n"))
    with pytest.raises(BadInput, match="low must be less than high"):
        load(make_trial(trial__toml=TOML + SCENT.replace("low = 0", "low = 10")))
