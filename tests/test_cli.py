"""The command: starts fast, says sentences, starts new trials without overwriting."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from click.testing import CliRunner

from fizzlab.cli.main import main
from fizzlab.trial.folder import load


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom fizzlab.cli.main import main\n"
        "assert CliRunner().invoke(main, ['--help']).exit_code == 0\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'papermill'} & set(sys.modules)\n"
        "sys.exit(' '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_check_counts_rows_and_lists_doubts(make_trial) -> None:  # type: ignore[no-untyped-def]
    result = CliRunner().invoke(main, ["check", str(make_trial(touch_check__csv="x"))])
    assert result.exit_code == 0
    assert "touch_checks: 8 rows" in result.output
    assert "No problems." in result.output
    assert "touch_check.csv: this file was not read." in result.output


def test_new_starts_a_trial_that_reads_once_filled(tmp_path: Path) -> None:
    folder = tmp_path / "first trial"
    arguments = ["new", str(folder), "--title", 'Say "hello"', "--question", "Does it dry?"]
    result = CliRunner().invoke(main, [*arguments, "--levels", "colour=pearl,dye"])
    assert result.exit_code == 0, result.output
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    again = CliRunner().invoke(main, arguments)
    assert again.exit_code == 2
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    (folder / "runs.csv").write_text("run,day,colour\nA,1,dye\n")
    assert load(folder).settings.title == 'Say "hello"'


def test_unknown_notebook_is_refused(make_trial) -> None:  # type: ignore[no-untyped-def]
    result = CliRunner().invoke(main, ["report", str(make_trial()), "--notebook", "fizzle"])
    assert result.exit_code == 2
    assert "trial_report" in result.output
