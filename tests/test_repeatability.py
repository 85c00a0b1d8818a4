"""How good a test is itself: the spreads of its repeats, the plan that asks for them, the report."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from planned_trials import ALIKE

import fizzlab as fl
from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.sheet import readings_blanks
from fizzlab.cli.main import main
from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.repeatability import Repeatability, repeatability
from fizzlab.report.analysis import analyse
from fizzlab.report.page import Findings, Grid
from fizzlab.report.parts.repeat import enough, good_test, of_repeats
from fizzlab.trial.folder import load

TOML = f"""\
code = "how-good"
title = "How good is our tumble?"
question = "How many tumbles a batch should we plan?"
seed = 3

[responses.scent]
label = "scent"
scale = "difference"
per = "piece"

{ALIKE}raters = ["Ann", "Bo"]
pieces = 4
tables = ["tumbles", "crumble_scores", "touch_checks", "fizz_times", "scent"]
checks_h = [1, 2, 3, 4, 5, 6, 8, 12]
"""


def sd(found: Repeatability, component: str) -> float:
    row = found.of_component(component)
    assert row is not None
    return float(row["sd"])


def drawn(
    rng: np.random.Generator, batches: int, people: int, repeats: int, spreads: tuple[float, ...]
) -> pd.DataFrame:
    """Readings of batches by people; `spreads` of batches, people, batches by people, and repeats."""
    shape = (batches, people, repeats)
    b, o, bo, e = spreads
    y = b * rng.standard_normal((batches, 1, 1)) + o * rng.standard_normal((1, people, 1))
    y = y + bo * rng.standard_normal((batches, people, 1)) + e * rng.standard_normal(shape)
    at = np.indices(shape).reshape(3, -1)
    return pd.DataFrame({"run": at[0], "rater": [f"P{i}" for i in at[1]], "value": y.ravel()})


# --- the spreads ------------------------------------------------------------------------------


def test_unbalanced_readings_keep_their_meaning() -> None:
    """A lost reading moves little; a person who is off changes nothing but the people's spread."""
    table = drawn(np.random.default_rng(3), 8, 3, 3, (1.0, 0.5, 0.2, 0.4))
    whole, some = repeatability(table), repeatability(table.drop(index=[4, 31, 50]))
    for name in ("repeatability", "between samples", "between operators"):
        assert sd(some, name) == pytest.approx(sd(whole, name), rel=0.15)
    off = repeatability(table.assign(value=table["value"] + 5 * (table["rater"] == "P0")))
    for name in ("repeatability", "between samples"):
        assert sd(off, name) == pytest.approx(sd(whole, name))
    assert sd(off, "between operators") > 2


def test_pieces_that_everybody_reads_are_told_from_the_repeats() -> None:
    rng = np.random.default_rng(8)
    shape = (30, 4, 3)  # batches, pieces, people
    y = (
        rng.standard_normal((30, 1, 1))
        + 0.8 * rng.standard_normal((30, 4, 1))
        + 0.3 * rng.standard_normal(shape)
    )
    at = np.indices(shape).reshape(3, -1)
    table = pd.DataFrame({"run": at[0], "piece": at[1], "rater": at[2], "value": y.ravel()})
    found = repeatability(table)
    assert sd(found, "between items") == pytest.approx(0.8, abs=0.12)
    assert sd(found, "repeatability") == pytest.approx(0.3, abs=0.03)
    assert sd(found, "within samples") == pytest.approx(
        np.hypot(sd(found, "between items"), sd(found, "repeatability"))
    )


def test_brackets_narrow_enough_say_what_numbers_say() -> None:
    table = drawn(np.random.default_rng(5), 6, 2, 3, (0.2, 0.1, 0.05, 0.15))
    times = table.assign(value=5 * np.exp(table["value"]))
    times = times.assign(lower=times["value"] * 0.999, upper=times["value"] * 1.001)
    known, seen = repeatability(times, log=True), repeatability(times, ("lower", "upper"))
    for name in ("repeatability", "between samples", "between operators"):
        assert sd(seen, name) == pytest.approx(sd(known, name), rel=0.01)
    for end in ("conf_low", "conf_high"):
        ours, theirs = (each.of_component("repeatability") for each in (seen, known))
        assert ours is not None
        assert theirs is not None
        assert ours[end] == pytest.approx(theirs[end], rel=0.02)


def test_how_many_repeats_follows_from_the_spreads() -> None:
    """Repeats that hardly differ need one; where batches do not differ, one more is worth 1/n."""
    rng = np.random.default_rng(2)
    assert repeatability(drawn(rng, 9, 1, 3, (1.0, 0, 0, 0.01))).repeats == 1
    flat = pd.DataFrame({"run": list("AABB"), "value": [1.0, 2.0, 2.0, 1.0]})
    found = repeatability(flat)
    assert (found.repeats, sd(found, "between samples")) == (11, 0.0)
    assert found.worth["gain"].tolist() == pytest.approx([1 / n for n in range(1, 12)])


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ({"run": list("ABC"), "value": [1.0, 2.0, 3.0]}, "No batch was read twice"),
        ({"run": list("AABB"), "value": [1.0, 1.0, 2.0, 2.0]}, "Repeats never differ"),
        ({"run": list("AABB"), "value": [1.0, np.nan, 2.0, 2.0]}, "no value missing"),
        ({"run": list("AABB"), "other": [1.0, 1.0, 2.0, 2.0]}, "value"),
    ],
)
def test_what_cannot_be_told_is_said(rows: dict[str, list[object]], says: str) -> None:
    with pytest.raises((BadInput, CannotAnswer, ValueError), match=says):
        repeatability(pd.DataFrame(rows))


def test_looks_all_on_one_side_hold_no_spread() -> None:
    looks = pd.DataFrame({"run": list("AABB"), "lower": 0.0, "upper": [2.0, 3.0, 2.0, 3.0]})
    with pytest.raises(CannotAnswer, match="too far apart"):
        repeatability(looks, ("lower", "upper"))


def test_the_picture_shows_every_reading() -> None:
    import matplotlib

    matplotlib.use("agg")
    found = repeatability(drawn(np.random.default_rng(1), 4, 2, 3, (1, 0, 0, 1)), response="loss, %")
    axes = found.plot()
    assert sum(len(line.get_xdata()) for line in axes.get_lines()[:2]) == 24
    assert "24 readings of 4 samples" in found.summary()


# --- what the intervals promise ---------------------------------------------------------------


def _held(found: Repeatability, truth: dict[str, float]) -> list[bool]:
    rows = [found.of_component(name) for name in truth]
    return [
        row is not None and row["conf_low"] <= true <= row["conf_high"]
        for row, true in zip(rows, truth.values(), strict=True)
    ]


def coverage(lost: int = 0, studies: int = 400) -> list[float]:
    """Of repeats, people, both, batches: 6 batches by 3 people, 3 readings each, less some that were lost."""
    rng, held, truth = np.random.default_rng(57), list[list[bool]](), {"repeatability": 0.5}
    truth |= {"between operators": 0.5, "reproducibility": 0.5**0.5, "between samples": 1.0}
    for _ in range(studies):
        table = drawn(rng, 6, 3, 3, (1.0, 0.4, 0.3, 0.5))
        held.append(_held(repeatability(table.drop(index=rng.choice(54, lost, replace=False))), truth))
    return [float(share) for share in np.mean(held, axis=0)]


def coverage_of_brackets(studies: int = 200) -> list[float]:
    """Of repeats and of batches, whose times are drawn by gamma and seen between looks, by two people."""
    rng, held = np.random.default_rng(25), list[list[bool]]()
    looks = np.array([0, 1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5, 6, 8, 12, 18, np.inf])
    spread = float(np.log(rng.gamma(16, 1 / 16, 1_000_000)).std())
    for _ in range(studies):
        table = drawn(rng, 8, 2, 4, (0.0, 0.1, 0.0, 0.2))
        batch = rng.gamma(16, 1 / 16, 8)[table["run"]]
        place = np.searchsorted(looks, 4.5 * batch * np.exp(table["value"]))
        table = table.assign(lower=looks[place - 1], upper=looks[place])
        found = repeatability(table, ("lower", "upper"))
        truth = {"repeatability": 0.2, "between samples": spread}
        held.append(_held(found, {name: true * found.typical for name, true in truth.items()}))
    return [float(share) for share in np.mean(held, axis=0)]


def coverage_far_out(studies: int = 400) -> list[float]:
    """Of repeats and of batches, where batches are exponential: now and then one is far out."""
    rng, held = np.random.default_rng(91), list[list[bool]]()
    for _ in range(studies):
        table = drawn(rng, 6, 1, 3, (0.0, 0, 0, 0.5))
        table["value"] += rng.exponential(1.0, 6)[table["run"]]
        held.append(_held(repeatability(table), {"repeatability": 0.5, "between samples": 1.0}))
    return [float(share) for share in np.mean(held, axis=0)]


@pytest.mark.slow
@pytest.mark.parametrize("lost", [0, 6])
def test_intervals_hold_the_true_spreads(lost: int) -> None:
    """Promised are 95 in 100; the error of simulating is 1.1."""
    assert all(0.925 < share < 0.985 for share in coverage(lost))


@pytest.mark.slow
def test_intervals_of_bracketed_times_hold_the_true_spreads() -> None:
    """The error of simulating is 1.5."""
    assert all(0.91 < share < 0.99 for share in coverage_of_brackets())


@pytest.mark.slow
def test_far_out_batches_make_the_interval_of_batches_too_short_and_no_other() -> None:
    """Normal spreads are said to be needed, and are: for what differs so, and for nothing else."""
    repeats, batches = coverage_far_out()
    assert 0.925 < repeats < 0.985
    assert batches < 0.93


# --- the plan ---------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "trial.toml").write_text(TOML)
    return tmp_path


def test_the_plan_says_who_reads_which_piece(folder: Path) -> None:
    written = write_plan(folder)
    book = openpyxl.load_workbook(folder / "readings.xlsx")
    cells = {sheet.title: [[cell.value for cell in row] for row in sheet.iter_rows()] for sheet in book}
    tables = {name: pd.DataFrame(rows[1:], columns=rows[0]) for name, rows in cells.items() if len(rows) > 1}
    for name in ("tumbles", "fizz_times", "scent"):
        assert tables[name].groupby(["run", "rater"]).size().unique().tolist() == [2]
    assert tables["fizz_times"].query("run == 'R01'")[["piece", "rater"]].to_numpy().tolist() == [
        ["1", "Ann"], ["2", "Bo"], ["3", "Ann"], ["4", "Bo"],
    ]  # fmt: skip
    assert tables["crumble_scores"].groupby("blind").size().unique().tolist() == [4]  # 2 pieces, both people
    assert tables["touch_checks"].groupby(["run", "piece"])["rater"].nunique().max() == 1
    assert (tables["tumbles"]["pieces"] == 4).all()
    blanks = {
        each.table: each.rows for each in readings_blanks(written.planned.settings, written.planned.wishes)
    }
    assert blanks["tumbles"] == ("1, Ann", "2, Bo", "3, Ann", "4, Bo")
    assert blanks["fizz_times"][0] == "1, Ann"


def test_the_plan_says_how_well_it_will_know(folder: Path) -> None:
    said = CliRunner().invoke(main, ["plan", str(folder)]).output
    assert "6 batches on 2 days: batches made alike, each read 2 times by every person." in said
    assert (
        "repeats of one batch differ will be known to 0.72 to 1.7 times" in said
    )  # chi-square, 12 df: 0.717, 1.651
    assert "people differ will be known to 0.45 to 32 times" in said
    assert "The tests use up 24 pieces of each batch." in said  # 16 tumbled, 4 timed, 4 smelt


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("repeats = 2", "repeats = 1"), "repeats cannot be told from batches"),
        (("repeats = 2\n", ""), "needs it"),
        (("batches = 6", "batches = 6\ndays = 2"), "has no use for it"),
        (("seed = 3", 'seed = 3\n[factors.colour]\nlevels = ["pearl", "dye"]'), "makes every batch alike"),
    ],
)
def test_a_plan_that_does_not_fit_is_refused(folder: Path, change: tuple[str, str], says: str) -> None:
    (folder / "trial.toml").write_text(TOML.replace(*change))
    with pytest.raises((BadInput, CannotAnswer), match=says):
        write_plan(folder)


def test_a_plan_of_one_person_says_what_stays_unknown(folder: Path) -> None:
    (folder / "trial.toml").write_text(
        TOML.replace('["Ann", "Bo"]', '["Ann"]').replace("batches = 6", "batches = 3")
    )
    said = CliRunner().invoke(main, ["plan", str(folder)]).output
    assert "How far people differ stays unknown." in said
    assert "3 batches tell little of how much batches differ" in said
    assert fl.plan("repeatability", batches=4, repeats=2, batches_per_day=2).runs["day"].tolist() == [
        1,
        1,
        2,
        2,
    ]


# --- the report -------------------------------------------------------------------------------


def fill(folder: Path) -> None:
    """Readings of an invented workshop: Bo's hand is harder, and batches differ a little."""
    rng, book = np.random.default_rng(4), openpyxl.load_workbook(folder / "readings.xlsx")
    runs = load(folder).rows("runs")
    codes, dry = dict(zip(runs["blind"], runs["run"], strict=True)), dict[tuple[str, str], float]()
    off = {run: rng.standard_normal() for run in runs["run"]}
    for sheet in book:
        head = [cell.value for cell in sheet[1]]
        for row in sheet.iter_rows(min_row=2):
            cell = dict(zip(head, row, strict=False))
            if "rater" not in cell or cell["rater"].value is None:
                continue
            run = cell["run"].value if "run" in cell else codes[str(cell["blind"].value)]
            lean, e = 0.3 * (cell["rater"].value == "Bo"), rng.standard_normal()
            if sheet.title == "tumbles":
                cell["before_g"].value = 320.0
                cell["after_g"].value = round(320 - 16 * float(np.exp(0.15 * off[run] + lean + 0.2 * e)), 1)
            elif sheet.title == "crumble_scores":
                cell["score"].value = int(np.clip(round(2 + 0.6 * off[run] + lean + 0.5 * e), 0, 4))
            elif sheet.title == "fizz_times":
                cell["water_c"].value, cell["done"].value = 38, "yes"
                cell["seconds"].value = round(150 * float(np.exp(0.1 * off[run] + 0.1 * e)))
            elif sheet.title == "scent":
                cell["scent"].value = round(6 + off[run] + e, 1)
            else:
                key = run, cell["piece"].value
                at = dry.setdefault(key, 4 * float(np.exp(0.15 * off[run] + lean + 0.2 * e)))
                cell["dry"].value = "yes" if cell["hours"].value >= at else "no"
    book.save(folder / "readings.xlsx")


@pytest.mark.slow
def test_the_report_answers_how_good_the_test_is(folder: Path) -> None:
    (folder / "trial.toml").write_text(TOML.replace('"touch_checks", ', ""))
    write_plan(folder)
    fill(folder)
    done = analyse(load(folder))
    verdict = enough(done)
    assert len(verdict) == 5
    assert all(": plan " in line and " a batch" in line for line in verdict[:4])
    assert "19 times in 20" in verdict[-1]
    assert len(" ".join(verdict).split()) <= 110
    part = good_test(done)
    assert part[0] == "## How good is the test itself?"
    spread, price = (piece for piece in part if isinstance(piece, Grid))
    assert list(spread.rows["measure"]) == ["Tumble loss", "Crumble score", "Fizz time", "Scent"]
    assert list(price.rows.columns) == ["measure", "1 to 2", "2 to 3", "3 to 4", "4 to 5"]
    found = {f.topic: f for piece in part if isinstance(piece, Findings) for f in piece.findings}
    tumble = found["repeatability.tumble_loss_pct[repeats by one person]"]
    rows = load(folder).rows("tumbles")
    loss = np.log(100 * (1 - rows["after_g"] / rows["before_g"]))
    within = loss.groupby([rows["run"], rows["rater"]]).var().mean()
    assert tumble.estimate == pytest.approx(np.sqrt(within) * np.exp(loss.mean()))
    assert tumble.unit == "points"
    assert not of_repeats(replace(done, trial=SimpleNamespace(settings=SimpleNamespace(plan=None))))  # type: ignore[arg-type]


@pytest.mark.slow
def test_from_the_plan_to_the_page(folder: Path) -> None:
    """With touch checks and no room log; the front page keeps within its words."""
    write_plan(folder)
    fill(folder)
    said = CliRunner().invoke(main, ["report", str(folder)])
    assert said.exit_code == 0, said.output
    assert "Dry time: plan " in said.output
    page = (folder / "records" / "how-good-1" / "report.html").read_text(encoding="utf-8")
    assert "How good is the test itself?" in page
    front = re.sub("<[^>]*>", " ", page.partition("<details>")[0].rpartition("<h1")[2])
    assert len(front.split()) <= 260  # with the table and the words about the picture
