"""Bad input of the fizz tables: named by file, row and column; exit code 2; nothing written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sound_trial import TOML
from test_bad_input import Case, refused

from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

TIMES = """\
run,piece,water_c,seconds,done,colour_s
A,1,38,140,yes,5
B,1,37,180,no,
C,1,38,120,yes,4
D,1,39,150,yes,
"""
CURVE = "run,piece,water_c,seconds,mass_g\n" + "".join(
    f"{run},1,38,{second},{400 - 0.1 * second:.1f}\n" for run in "ABCD" for second in (0, 10, 20)
)
SHELF = "run,piece,weeks,rh_pct,gas_g\n" + "".join(
    f"{run},{week},{week},60,{8 - 0.1 * week:.1f}\n" for run in "ABCD" for week in (0, 4)
)

CASES = [
    Case(
        "unknown key of the section",
        {"trial__toml": TOML + "\n[fizz]\nbath = 38\n"},
        ("key fizz.bath: fizzlab knows no such key. Did you mean bath_c?",),
    ),
    Case(
        "bath hotter than skin bears",
        {"trial__toml": TOML + "\n[fizz]\nbath_c = 70\n"},
        ("trial.toml, key fizz.bath_c:", "less than or equal to 50"),
    ),
    Case(
        "theory of nought",
        {"trial__toml": TOML + "\n[fizz]\ntheory_g = 0\n"},
        ("trial.toml, key fizz.theory_g:", "greater than 0"),
    ),
    Case(
        "curve that is none",
        {"trial__toml": TOML + '\n[fizz]\ncurve = "comon"\n'},
        ("key fizz.curve: “comon” is none of its choices. Did you mean common?",),
    ),
    Case(
        "water in fahrenheit",
        {"fizz_times__csv": TIMES.replace("A,1,38", "A,1,100")},
        (
            "fizz_times.csv, row 2, column water_c: 100 is outside what is possible here (0 to 60); "
            "it seems to be in °F.",
        ),
    ),
    Case(
        "no seconds",
        {"fizz_times__csv": TIMES.replace("140", "0")},
        ("fizz_times.csv, row 2, column seconds: 0 is outside what is possible here (above 0",),
    ),
    Case(
        "minutes and seconds",
        {"fizz_times__csv": TIMES.replace("140", "2:20")},
        ("fizz_times.csv, row 2, column seconds: “2:20” is not a number.",),
    ),
    Case(
        "done neither yes nor no",
        {"fizz_times__csv": TIMES.replace("180,no", "180,almost")},
        ("fizz_times.csv, row 3, column done: “almost” is not yes or no.",),
    ),
    Case(
        "piece timed twice",
        {"fizz_times__csv": TIMES.replace("B,1,37", "A,1,37")},
        ("fizz_times.csv, row 3, column piece: it repeats row 2 (run A, piece 1).",),
    ),
    Case(
        "colour after the end",
        {"fizz_times__csv": TIMES.replace("yes,5", "yes,150")},
        (
            "fizz_times.csv, row 2, column colour_s: colour after 150 s, but piece 1 of batch A",
            "watched for only 140 s.",
        ),
    ),
    Case(
        "batch that is none",
        {"fizz_times__csv": TIMES.replace("D,1,39", "DD,1,39")},
        ("fizz_times.csv, row 5, column run: “DD” is not a batch that runs names.",),
    ),
    Case(
        "column misspelt",
        {"fizz_curves__csv": CURVE.replace("mass_g", "mass")},
        ("fizz_curves.csv, row 1, column mass: fizzlab knows no such column. Did you mean mass_g?",),
    ),
    Case(
        "curve runs backwards",
        {"fizz_curves__csv": CURVE.replace("A,1,38,20", "A,1,38,5")},
        (
            "fizz_curves.csv, row 4, column seconds: the time runs backwards for piece 1 of batch A:",
            "5 after 10.",
        ),
    ),
    Case(
        "reading of a curve twice",
        {"fizz_curves__csv": CURVE.replace("A,1,38,20", "A,1,38,10")},
        ("fizz_curves.csv, row 4, column seconds: it repeats row 3 (run A, piece 1, seconds 10).",),
    ),
    Case(
        "scale showed an error",
        {"fizz_curves__csv": CURVE.replace("399.0", "Err", 1)},
        ("fizz_curves.csv, row 3, column mass_g: “Err” is not a number.",),
    ),
    Case(
        "shelf without a measure",
        {"shelf__csv": SHELF.replace("gas_g", "note")},
        ("shelf.csv: it does not say how much fizz was left. Fill in one of the columns gas_g,",),
    ),
    Case(
        "shelf measured in two ways",
        {"shelf__csv": "run,piece,weeks,gas_g,share_left\nA,1,0,8,\nA,2,4,,0.9\n"},
        ("shelf.csv: it measures fizz in 2 ways (gas_g, share_left).",),
    ),
    Case(
        "shelf with a gap",
        {"shelf__csv": SHELF.replace("gas_g", "gas_g,note").replace("A,4,4,60,7.6", "A,4,4,60,,fell")},
        ("shelf.csv, row 3, column gas_g: the cell is empty.",),
    ),
    Case(
        "share in per cent",
        {"shelf__csv": "run,piece,weeks,share_left\nA,1,0,1\nA,2,4,90\n"},
        ("shelf.csv, row 3, column share_left: 90 is outside what is possible here",),
    ),
    Case(
        "weeks below nought",
        {"shelf__csv": SHELF.replace("A,4,4", "A,4,-4")},
        ("shelf.csv, row 3, column weeks: -4 is outside what is possible here (0 to 520).",),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input_is_named_and_nothing_changes(case: Case, make_trial: MakeTrial) -> None:
    refused(case, make_trial(**case.files))


def test_the_sound_tables_are_sound(make_trial: MakeTrial) -> None:
    trial = load(make_trial(fizz_times__csv=TIMES, fizz_curves__csv=CURVE, shelf__csv=SHELF))
    assert len(trial.rows("fizz_times")) == 4
    assert len(trial.rows("fizz_curves")) == 12
    assert len(trial.rows("shelf")) == 8
    assert not [doubt for doubt in trial.doubts if doubt.where.startswith(("fizz", "shelf"))]


def test_odd_curves_raise_doubts_and_are_kept(make_trial: MakeTrial) -> None:
    late = CURVE.replace("A,1,38,0,", "A,1,38,8,")
    trial = load(make_trial(fizz_curves__csv=late))
    said = " ".join(str(doubt) for doubt in trial.doubts)
    assert "the first reading of piece 1 of batch A is 8 s after the start" in said
    assert len(trial.rows("fizz_curves")) == 12


def test_a_row_left_out_may_be_anything(make_trial: MakeTrial) -> None:
    gap = SHELF.replace("gas_g", "gas_g,leave_out").replace("60,7.6", "60,,the tin was dropped", 1)
    trial = load(make_trial(shelf__csv=gap))
    assert len(trial.rows("shelf")) == 7
    assert trial.left_out()["reason"].tolist() == ["the tin was dropped"]
