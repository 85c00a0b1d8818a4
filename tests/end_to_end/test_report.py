"""From a trial folder to a record: what is written, what is not, and that nothing half-written stays."""

from __future__ import annotations

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from html import unescape
from pathlib import Path

import nbformat
import pytest
from click.testing import CliRunner
from sound_trial import RUNS, TOUCH

from fizzlab.cli.main import main
from fizzlab.records import read_ledger, verify
from fizzlab.report.page import HANDED_TYPE
from fizzlab.report.run import NotebookStopped, write_report
from fizzlab.trial import shipped

MakeTrial = Callable[..., Path]

WHOLE = {"report.html", "report.ipynb", "findings.json", "inputs.json", "entry.json", "inputs", "figures"}


def test_a_small_trial_becomes_a_record(make_trial: MakeTrial) -> None:
    folder = make_trial()
    result = CliRunner().invoke(main, ["report", str(folder), "--made-by", "Ann"])
    assert result.exit_code == 0, result.output
    record = folder / "records" / "quay-1"
    assert result.stdout.splitlines()[-1] == str(record / "report.html")
    assert {path.name for path in record.iterdir()} == WHOLE
    html = (record / "report.html").read_text(encoding="utf-8")
    assert "Two ways of colouring" in html
    notebook = (record / "report.ipynb").read_text(encoding="utf-8")  # whichever process drew them
    assert notebook.count('"image/png"') == len(list((record / "figures").glob("*.png"))) > 0
    assert HANDED_TYPE not in notebook
    assert re.findall(r'(?:src|href)="(?!data:)[^"]*"', html) == []
    (entry,) = read_ledger(folder / "records").reports()
    assert (entry.by, entry.number) == ("Ann", 1)
    assert {"report.html", "findings.json", "inputs/runs.csv"} <= entry.files.keys()
    assert verify(folder).faults == ()


def test_record_holds_everything(demo_reports: dict[str, Path]) -> None:
    for name, page in demo_reports.items():
        record = page.parent
        assert record.name == f"{name}-1"
        assert {path.name for path in record.iterdir()} == WHOLE
        drawn = sorted(path.name for path in (record / "figures").iterdir())
        assert {"dry-curves.png", "dry-curves.svg"} <= set(drawn)
        assert not [path for path in record.parent.iterdir() if path.name.startswith(".")]


def test_inputs_are_fingerprinted(demo_reports: dict[str, Path]) -> None:
    for page in demo_reports.values():
        about = json.loads((page.parent / "inputs.json").read_text(encoding="utf-8"))
        folder = page.parents[2]
        tables = {path.name for path in folder.iterdir() if path.suffix in (".csv", ".toml", ".xlsx")}
        assert {name for name in about["inputs_sha256"] if not name.startswith("../")} == tables
        for name, value in about["inputs_sha256"].items():
            assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == value
        assert {"fizzlab", "numpy", "pandas", "python"} <= set(about["versions"])
        assert about["parameters"]["code"] == folder.name


def test_findings_carry_numbers_and_the_page_their_sentences(demo_reports: dict[str, Path]) -> None:
    for page in demo_reports.values():
        findings = json.loads((page.parent / "findings.json").read_text(encoding="utf-8"))
        html = unescape(page.read_text(encoding="utf-8")).replace("\u00a0", " ")
        ratios = [finding for finding in findings if finding["unit"] == "ratio"]
        assert all(finding["low"] <= finding["estimate"] <= finding["high"] for finding in ratios)
        told = [finding for finding in findings if finding["sentence"] in html]  # a table tells the others
        assert [finding for finding in told if finding["topic"].startswith("dry_time.")]
        topics = [finding["topic"] for finding in findings]
        assert len(topics) == len(set(topics))


def test_page_asks_for_no_other_address(demo_reports: dict[str, Path]) -> None:
    for page in demo_reports.values():
        html = page.read_text(encoding="utf-8")
        assert re.findall(r'(?:src|href)="(?!data:)[^"]*"', html) == []
        assert "<script" not in html
        assert "@import" not in html


def test_notebook_of_the_record_runs_again_from_there(demo_reports: dict[str, Path], tmp_path: Path) -> None:
    import papermill

    record = demo_reports["season"].parent
    again = papermill.execute_notebook(
        record / "report.ipynb",
        tmp_path / "again.ipynb",
        cwd=record,
        progress_bar=False,
        kernel_name="python3",
    )
    assert not [cell for cell in again.cells if cell.metadata.get("papermill", {}).get("exception")]


@pytest.mark.slow
def test_records_are_numbered_and_never_overwritten(make_trial: MakeTrial) -> None:
    folder = make_trial()
    first = write_report(folder)
    before = {path: path.read_bytes() for path in first.parent.rglob("*") if path.is_file()}
    second = write_report(folder)
    assert (first.parent.name, second.parent.name) == ("quay-1", "quay-2")
    assert before == {path: path.read_bytes() for path in first.parent.rglob("*") if path.is_file()}


@pytest.mark.slow
def test_a_trial_that_cannot_be_answered_says_why(make_trial: MakeTrial) -> None:
    page = write_report(make_trial(touch_checks__csv=TOUCH.replace("yes", "no")))
    html = page.read_text(encoding="utf-8")
    assert "No dry times can be given. Every piece was still wet at its last check" in html
    assert "Keep checking until most pieces are dry." in html
    assert json.loads((page.parent / "findings.json").read_text()) == []


@pytest.mark.slow
def test_a_trial_without_touch_checks_says_so(make_trial: MakeTrial) -> None:
    html = write_report(make_trial(touch_checks__csv=None)).read_text(encoding="utf-8")
    assert "There are no touch checks" in html
    assert "touch checks" in html.split("No readings of:")[1].split("</p>")[0]


@pytest.mark.slow
def test_a_makers_texts_cannot_speak_html(make_trial: MakeTrial) -> None:
    nasty = "<img src=x onerror=alert(1)> [x](javascript:alert(1)) *b*"
    folder = make_trial(runs__csv=RUNS.replace("note", "leave_out").replace('"a wet, grey day"', nasty))
    toml = (folder / "trial.toml").read_text()
    toml = toml.replace("Two ways of colouring", nasty).replace("Does dye dry slower than pearl?", nasty)
    toml = toml.replace('"dye"]', f"'{nasty}']").replace(
        "[factors.binder_g]", f"label = '{nasty}'\n\n[factors.binder_g]"
    )
    (folder / "trial.toml").write_text(f"place = '{nasty}'\nmade_by = '{nasty}'\n{toml}")
    runs = (folder / "runs.csv").read_text()
    (folder / "runs.csv").write_text(runs.replace(",dye,", f",{nasty},"))
    html = write_report(folder).read_text(encoding="utf-8")
    assert "<img src=x" not in html
    assert "javascript:alert" not in re.sub(r"\[x\]\(javascript:alert\(1\)\)", "", html)
    assert "&lt;img src=x" in html


@pytest.mark.slow
@pytest.mark.parametrize(
    ("last", "said"),
    [("raise RuntimeError('the kettle boiled over')", "the kettle boiled over"), ("os._exit(3)", "ended")],
)
def test_a_failing_notebook_is_one_sentence_and_is_kept(
    make_trial: MakeTrial, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, last: str, said: str
) -> None:
    drawn = (
        "import os\nfrom fizzlab.report.page import Picture\nfrom fizzlab.models.plotting import new_figure\n"
    )
    drawn += "Picture('kettle', new_figure()[0], 'Seen.', 'Read.')"
    broken = nbformat.v4.new_notebook(
        cells=[
            nbformat.v4.new_code_cell('trial_folder = ""', metadata={"tags": ["parameters"]}),
            nbformat.v4.new_code_cell(drawn),
            nbformat.v4.new_code_cell(last),
        ],
        metadata={"kernelspec": {"name": "python3", "language": "python", "display_name": "Python 3"}},
    )
    nbformat.write(broken, tmp_path / "trial_report.ipynb")
    monkeypatch.setattr(shipped, "NOTEBOOKS", tmp_path)
    folder = make_trial()
    with pytest.raises(NotebookStopped, match=said) as raised:
        write_report(folder)
    kept = raised.value.notebook.read_text(encoding="utf-8")
    assert '"image/png"' in kept
    assert HANDED_TYPE not in kept
    assert [path.name for path in (folder / "records").iterdir()] == ["stopped"]
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 2
    assert "Traceback" not in result.output


@pytest.mark.slow
def test_a_changed_table_stops_the_record(make_trial: MakeTrial, monkeypatch: pytest.MonkeyPatch) -> None:
    from fizzlab import records

    seen = iter(["first", "second"])
    monkeypatch.setattr(records, "fingerprints", lambda folder, paths: {"runs.csv": next(seen)})
    folder = make_trial()
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 2
    assert "a table was changed while the report was being made" in result.stderr
    assert not (folder / "records").exists()


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows sends no SIGINT to a child in this way")
def test_ctrl_c_leaves_nothing_half_written(make_trial: MakeTrial) -> None:
    folder = make_trial()
    child = subprocess.Popen(
        [sys.executable, "-m", "fizzlab.cli.main", "report", str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    deadline = time.monotonic() + 60
    while not list(folder.glob(".fizzlab/*.lock")) and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(1.0)
    os.killpg(child.pid, signal.SIGINT)
    _, said = child.communicate(timeout=60)
    assert child.returncode == 130, said
    assert "Stopped. Nothing half-written was kept." in said
    assert "Traceback" not in said
    assert not (folder / "records").exists()


@pytest.mark.slow
def test_a_folder_that_may_not_be_written(make_trial: MakeTrial) -> None:
    folder = make_trial()
    (folder / "records").write_text("a file where the folder should be")
    result = CliRunner().invoke(main, ["report", str(folder)])
    assert result.exit_code == 2
    assert "The computer refused" in result.stderr
    assert (folder / "records").read_text() == "a file where the folder should be"
