"""Every kind of bad input: named by file, row and column; exit code 2; no traceback; folder untouched."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner
from sound_trial import LOG, RUNS, TOML, TOUCH

from fizzlab.cli.main import main

MakeTrial = Callable[..., Path]


@dataclass(frozen=True)
class Case:
    """One way to get it wrong, and what must be said about it."""

    name: str
    files: dict[str, str | bytes | None]
    says: tuple[str, ...]


def _bomb() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * (201 * 1024 * 1024))
    return out.getvalue()


WEIGH = "run,piece,hours,mass_g\nA,1,0,30\nA,1,2,29\n"

CASES = [
    Case("no trial.toml", {"trial__toml": None}, ("it is not in the folder quay.", "fizzlab new")),
    Case(
        "no such currency",
        {
            "trial__toml": f'{TOML}\n[recipe]\ncurrency = "EURO"\n[[recipe.ingredients]]\n'
            'name = "soda"\nkind = "sodium bicarbonate"\namount = "20 g"\n'
        },
        ("trial.toml, key recipe: fizzlab knows no currency “EURO”; choose from AUD",),
    ),
    Case("toml syntax", {"trial__toml": 'code = "quay\n'}, ("trial.toml: it cannot be read", "line 1")),
    Case("toml not text", {"trial__toml": b"code = '\xff'"}, ("trial.toml: it is not plain UTF-8 text.",)),
    Case(
        "unknown key",
        {"trial__toml": TOML.replace("question =", "questoin =")},
        (
            "key questoin: fizzlab knows no such key. Did you mean question?",
            "key question: the key is missing",
        ),
    ),
    Case(
        "unknown key in a section",
        {"trial__toml": TOML + "\n[drying]\nnight_hour = 12\n"},
        ("key drying.night_hour: fizzlab knows no such key. Did you mean night_hours?",),
    ),
    Case(
        "unknown key in a factor",
        {"trial__toml": TOML.replace('control = "pearl"', 'contol = "pearl"')},
        ("key factors.colour.contol: fizzlab knows no such key. Did you mean control?",),
    ),
    Case(
        "value of a setting out of range",
        {"trial__toml": TOML + "\n[drying]\nshares = [0.5, 1.5]\n"},
        ("trial.toml, key drying.shares (2):", "less than 1"),
    ),
    Case(
        "setting of the wrong type",
        {"trial__toml": TOML.replace("seed = 7", 'seed = "seven"')},
        ("trial.toml, key seed:", "'seven'"),
    ),
    Case(
        "code with a path in it",
        {"trial__toml": TOML.replace('"quay"', '"../quay"')},
        ("key code: “../quay” cannot be a trial code.",),
    ),
    Case(
        "control that is no level",
        {"trial__toml": TOML.replace('control = "pearl"', 'control = "lake"')},
        ("key factors.colour: the control “lake” is not one of its levels.",),
    ),
    Case(
        "factor called like a column",
        {"trial__toml": TOML.replace("binder_g", "sprays")},
        ("a factor may not be called “sprays”",),
    ),
    Case("no runs", {"runs__csv": None}, ("runs.csv: the table of batches is not there.",)),
    Case(
        "date without time of day",
        {"runs__csv": RUNS.replace("2026-01-05T09:00", "05.01.2026")},
        ("runs.csv, row 2, column made_at: “05.01.2026” has no time of day.",),
    ),
    Case("empty file", {"touch_checks__csv": ""}, ("touch_checks.csv, row 1: it has no header.",)),
    Case(
        "only a header",
        {"touch_checks__csv": "run,piece,hours,dry\n"},
        ("touch_checks.csv: it has no rows.",),
    ),
    Case(
        "not UTF-8",
        {"runs__csv": RUNS.replace("grey", "gr\u00e9y").encode("latin-1")},
        ("runs.csv, row 3: it is not plain UTF-8 text.",),
    ),
    Case(
        "stray quotation mark",
        {"runs__csv": RUNS.replace('"a wet, grey day"', '"a wet" grey day"')},
        ("runs.csv: its cells cannot be told apart",),
    ),
    Case(
        "row too long",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes,", "A,1,4,5,yes,")},
        ("touch_checks.csv, row 3: the row has 6 cells, but the header names 5 columns.",),
    ),
    Case(
        "missing column",
        {"touch_checks__csv": TOUCH.replace(",dry,", ",is_dry,")},
        (
            "touch_checks.csv, row 1, column is_dry: fizzlab knows no such column. Did you mean dry?",
            "touch_checks.csv, row 1, column dry: the column is missing",
        ),
    ),
    Case(
        "column twice",
        {"touch_checks__csv": TOUCH.replace("note", "dry")},
        ("touch_checks.csv, row 1, column dry: the column stands there twice.",),
    ),
    Case(
        "text for a number",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes", "A,1,4 h,yes")},
        ("touch_checks.csv, row 3, column hours: “4 h” is not a number. Write the number alone",),
    ),
    Case(
        "clock time for hours",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes", "A,1,4:30,yes")},
        ("row 3, column hours: “4:30” is not a number. Write hours as a number",),
    ),
    Case(
        "neither yes nor no",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes", "A,1,4,nearly")},
        ("touch_checks.csv, row 3, column dry: “nearly” is not yes or no. Write yes or no.",),
    ),
    Case(
        "empty cell",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes", "A,,4,yes")},
        ("touch_checks.csv, row 3, column piece: the cell is empty.",),
    ),
    Case(
        "humidity over 100",
        {"room_log__csv": LOG.replace(",70.0", ",170.0", 1)},
        ("room_log.csv, row 2, column rh_pct: 170.0 is outside what is possible here (0 to 100).",),
    ),
    Case(
        "mass of nought",
        {"weighings__csv": WEIGH.replace("29", "0")},
        ("weighings.csv, row 3, column mass_g: 0 is outside what is possible here (above 0",),
    ),
    Case(
        "moment that is none",
        {"runs__csv": RUNS.replace("2026-01-05T10:00", "5 Jan, 10 am".replace(",", ""))},
        ("runs.csv, row 3, column made_at: “5 Jan 10 am” is not a date and time.",),
    ),
    Case(
        "moment with a time zone",
        {"runs__csv": RUNS.replace("2026-01-05T10:00", "2026-01-05T10:00Z")},
        ("runs.csv, row 3, column made_at:", "with no time zone"),
    ),
    Case(
        "year that cannot be",
        {"runs__csv": RUNS.replace("2026-01-05T10:00", "0226-01-05T10:00")},
        ("runs.csv, row 3, column made_at:",),
    ),
    Case(
        "thousands separator",
        {"weighings__csv": WEIGH.replace("29", '"1,029.5"')},
        ("weighings.csv, row 3, column mass_g: “1,029.5” is not a number. Write it without a thousands",),
    ),
    Case(
        "batch twice",
        {"runs__csv": RUNS.replace("D,2", "C,2")},
        ("runs.csv, row 5, column run: it repeats row 4 (run C).",),
    ),
    Case(
        "unknown level",
        {"runs__csv": RUNS.replace("B,1,2026-01-05T10:00,dye", "B,1,2026-01-05T10:00,pearls")},
        (
            "runs.csv, row 3, column colour: “pearls” is not a level that trial.toml names.",
            "Did you mean pearl?",
        ),
    ),
    Case(
        "unknown batch",
        {"touch_checks__csv": TOUCH.replace("D,1,8", "Z9,1,8")},
        ("touch_checks.csv, row 9, column run: “Z9” is not a batch that runs names.",),
    ),
    Case(
        "reading twice",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes", "A,1,2,yes")},
        ("touch_checks.csv, row 3, column hours: it repeats row 2 (run A, piece 1, hours 2).",),
    ),
    Case(
        "time runs backwards",
        {"touch_checks__csv": TOUCH.replace("A,1,4,yes", "A,1,1.5,yes")},
        (
            "touch_checks.csv, row 3, column hours: the time runs backwards for piece 1 of batch A:",
            "1.5 after 2.",
        ),
    ),
    Case(
        "check before the batch was made",
        {"touch_checks__csv": "run,piece,checked_at,dry\nA,1,2026-01-05T08:00,yes\n"},
        ("touch_checks.csv, row 2, column checked_at: the check stands before the batch was made",),
    ),
    Case(
        "stamp without a time of making",
        {
            "runs__csv": RUNS.replace("2026-01-05T09:00", ""),
            "touch_checks__csv": "run,piece,checked_at,dry\nA,1,2026-01-05T12:00,yes\n",
        },
        ("touch_checks.csv, row 2, column checked_at:", "Fill in made_at for batch A in runs"),
    ),
    Case(
        "more mass after tumbling",
        {"tumbles__csv": "run,pieces,before_g,after_g,broken\nA,5,100,101,0\n"},
        ("tumbles.csv, row 2, column after_g: 101 g after tumbling is more than before.",),
    ),
    Case(
        "more broken than tumbled",
        {"tumbles__csv": "run,pieces,before_g,after_g,broken\nA,5,100,90,6\n"},
        ("tumbles.csv, row 2, column broken: 6 pieces broke, but only 5 were tumbled.",),
    ),
    Case(
        "score over 4",
        {"crumble_scores__csv": "run,piece,rater,score\nA,1,Mo,5\n"},
        ("crumble_scores.csv, row 2, column score: 5 is outside what is possible here (0 to 4).",),
    ),
    Case(
        "workbook that is none", {"readings__xlsx": b"not a workbook"}, ("readings.xlsx: it cannot be read",)
    ),
    Case("workbook bomb", {"readings__xlsx": _bomb()}, ("readings.xlsx: it unpacks to more than 200 MB",)),
]


def _state(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def refused(case: Case, folder: Path, command: str = "check") -> None:
    """The command says what is wrong, changes no file and ends with code 2."""
    before = _state(folder)
    result = CliRunner().invoke(main, [command, str(folder)])
    assert result.exit_code == 2, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    assert "Traceback" not in result.output
    for part in case.says:
        assert part in result.stderr
    assert _state(folder) == before


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input_is_named_and_nothing_changes(case: Case, make_trial: MakeTrial) -> None:
    refused(case, make_trial(**case.files))


@pytest.mark.parametrize("case", CASES[::10], ids=lambda case: case.name)
def test_no_report_is_made_of_bad_input(case: Case, make_trial: MakeTrial) -> None:
    refused(case, make_trial(**case.files), "report")


def test_all_problems_are_said_at_once(make_trial: MakeTrial) -> None:
    folder = make_trial(
        trial__toml=TOML.replace("seed = 7", 'seed = "x"'),
        touch_checks__csv=TOUCH.replace("A,1,4,yes", "A,1,4,nearly").replace("B,1,2,no", "B,1,two,no"),
        room_log__csv=LOG.replace(",70.0", ",170.0", 1),
    )
    result = CliRunner().invoke(main, ["check", str(folder)])
    for part in (
        "key seed",
        "row 3, column dry",
        "row 4, column hours",
        "row 2, column rh_pct",
        "4 problems",
    ):
        assert part in result.stderr


def test_a_bad_column_does_not_bury_the_rest(make_trial: MakeTrial) -> None:
    lines = LOG.splitlines()
    spoiled = "\n".join([lines[0], *(line.rsplit(",", 1)[0] + ",dry" for line in lines[1:])]) + "\n"
    result = CliRunner().invoke(main, ["check", str(make_trial(room_log__csv=spoiled))])
    assert result.stderr.count("room_log.csv, row") == 6
    assert "91 more cells of this column, down to row 97, cannot be used either." in result.stderr


def test_a_batch_that_is_not_known_does_not_bury_the_rest(make_trial: MakeTrial) -> None:
    looks = "".join(f"E,{piece},2,no,\n" for piece in range(1, 21))
    result = CliRunner().invoke(main, ["check", str(make_trial(touch_checks__csv=TOUCH + looks))])
    assert result.stderr.count("“E” is not a batch that runs names.") == 5
    assert "15 more cells of this column" in result.stderr


def test_the_folder_around_trials_names_them(make_trial: MakeTrial) -> None:
    result = CliRunner().invoke(main, ["check", str(make_trial().parent)])
    assert result.exit_code == 2
    assert "Name a trial in it: it holds quay." in result.stderr


@pytest.mark.parametrize("command", [["report"], ["plan"], ["import", "--yes"]])
@pytest.mark.parametrize("inside", ["records/quay-1", "records/quay-1/inputs", "records"])
def test_nothing_is_written_into_records(command: list[str], inside: str, make_trial: MakeTrial) -> None:
    folder = make_trial()
    inputs = folder / "records" / "quay-1" / "inputs"
    inputs.mkdir(parents=True)
    for path in list(folder.iterdir()):
        if path.is_file():
            (inputs / path.name).write_bytes(path.read_bytes())
    (folder / "records" / "ledger.jsonl").touch()
    before = sorted(folder.rglob("*"))
    files = [str(folder / "room_log.csv")] if command[0] == "import" else []
    result = CliRunner().invoke(main, [command[0], str(folder / inside), *files, *command[1:]])
    assert result.exit_code == 2
    assert "it belongs to the records, which are never changed. Name the folder of the trial: quay." in (
        result.stderr
    )
    assert sorted(folder.rglob("*")) == before


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["check", str(tmp_path / "nowhere")])
    assert result.exit_code == 2
    assert "there is no such folder." in result.stderr


def test_table_in_both_places(make_trial: MakeTrial) -> None:
    import openpyxl

    folder = make_trial()
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "runs"
    for line in RUNS.splitlines():
        sheet.append(line.replace('"a wet, grey day"', "wet").split(","))
    book.save(folder / "readings.xlsx")
    result = CliRunner().invoke(main, ["check", str(folder)])
    assert result.exit_code == 2
    assert "runs.csv: the same table also stands in readings.xlsx, sheet runs." in result.stderr
