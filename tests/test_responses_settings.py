"""What [responses] and [choose] in trial.toml may say, and what is said of a mistake."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner
from planned_trials import toml
from sound_trial import RUNS, TOML
from test_bad_input import Case, refused

from fizzlab.cli.main import main
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]

CASES = [
    Case(
        "unknown response",
        {"trial__toml": TOML + "[responses.dry_hours]\nat_most = 12.0\n"},
        ("key responses.dry_hours: fizzlab takes no such number from the tables. Did you mean dry_h?",),
    ),
    Case(
        "a label of fizzlab's own",
        {"trial__toml": TOML + '[responses.dry_h]\nlabel = "drying"\n'},
        ("key responses.dry_h.label: fizzlab knows the label of dry_h. Take it out.",),
    ),
    Case(
        "a factor's name",
        {"trial__toml": TOML + '[responses.colour]\nlabel = "brightness"\n'},
        ("key responses.colour: a factor has this name.",),
    ),
    Case(
        "limits the wrong way round",
        {"trial__toml": TOML + "[responses.dry_h]\nat_least = 12.0\nat_most = 6.0\n"},
        ("key responses.dry_h: at_least and at_most leave nothing between them.",),
    ),
    Case(
        "half a wish",
        {"trial__toml": TOML + '[responses.dry_h]\nwant = "less"\nbest = 6.0\n'},
        ("key responses.dry_h: want, best and worst belong together.",),
    ),
    Case(
        "a wish the wrong way round",
        {"trial__toml": TOML + '[responses.dry_h]\nwant = "less"\nbest = 12.0\nworst = 6.0\n'},
        ("key responses.dry_h: worst and best are the wrong way round.",),
    ),
    Case(
        "a margin that is none",
        {"trial__toml": TOML + "[responses.dry_h]\nsame_within = 0.9\n"},
        ("key responses.dry_h.same_within: input should be greater than 1 (it says 0.9).",),
    ),
    Case(
        "a number of one's own in words",
        {
            "trial__toml": TOML + '[responses.shine]\nlabel = "shine"\n',
            "runs__csv": RUNS.replace("binder_g,note", "binder_g,shine,note").replace("0.6,", "0.6,bright,"),
        },
        ("runs.csv, row 2, column shine: “bright” is not a number.",),
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_mistake_is_named(case: Case, make_trial: MakeTrial) -> None:
    refused(case, make_trial(**case.files))


def test_a_number_of_ones_own_is_read_from_runs(make_trial: MakeTrial) -> None:
    folder = make_trial(
        trial__toml=TOML + '[responses.shine]\nlabel = "shine"\nunit = "points"\nscale = "difference"\n',
        runs__csv="run,day,made_at,colour,binder_g,shine,note\n"
        "A,1,2026-01-05T09:00,pearl,0.6,7,\nB,1,2026-01-05T10:00,dye,1.2,,\n"
        "C,2,2026-01-06T09:00,pearl,1.2,5.5,\nD,2,2026-01-06T10:00,dye,0.6,4,\n",
    )
    trial = load(folder)
    assert trial.rows("runs")["shine"].tolist() == pytest.approx([7, float("nan"), 5.5, 4], nan_ok=True)
    assert trial.settings.measure("shine").unit == "points"
    assert trial.settings.measure("dry_h").label == "dry time"


def test_a_plan_leaves_a_column_for_it_and_never_plans_over_it(tmp_path: Path) -> None:
    folder = tmp_path / "planned"
    folder.mkdir()
    file = folder / "trial.toml"
    file.write_text(toml("compare") + '\n[responses.shine]\nlabel = "shine"\n', encoding="utf-8")
    assert CliRunner().invoke(main, ["plan", str(folder)]).exit_code == 0
    book = openpyxl.load_workbook(folder / "readings.xlsx")
    (head,) = (cell for cell in book["runs"][1] if cell.value == "shine")
    cell = book["runs"].cell(2, head.column)
    assert cell.value is None
    cell.value = 6
    book.save(folder / "readings.xlsx")
    file.write_text(toml("compare"), encoding="utf-8")  # even where trial.toml no longer names it
    again = CliRunner().invoke(main, ["plan", str(folder)])
    assert again.exit_code == 2
    assert "this one has been begun" in again.stderr
