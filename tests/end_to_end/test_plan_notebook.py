"""The planning notebook, run as it is stored: without a folder on the invented trial, and on folders."""

from __future__ import annotations

from pathlib import Path

import nbformat
import papermill
import pytest
from planned_trials import toml

from fizzlab.report import page
from fizzlab.trial import shipped

pytestmark = pytest.mark.slow


def _shown(folder: str, out: Path) -> page.PageContent:
    executed = papermill.execute_notebook(
        shipped.notebook("plan"), out / "plan.ipynb", parameters={"trial_folder": folder}, progress_bar=False
    )
    return page.from_notebook(executed["cells"])


def test_the_notebook_is_stored_without_outputs_and_parameters_first() -> None:
    notebook = nbformat.read(shipped.notebook("plan"), as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert code[0].metadata.tags == ["parameters"]


def test_without_a_folder_the_invented_trial_is_planned(tmp_path: Path) -> None:
    shown = _shown("", tmp_path)
    assert set(shown.pictures) == {"plan_by_day", "power"}
    assert "of 100 such trials" in shown.body
    assert "cannot be told from the joint effect of" in shown.body
    assert "The bench sheet has the amounts" in shown.body


def test_on_a_trial_folder(tmp_path: Path) -> None:
    (tmp_path / "trial.toml").write_text(toml("central composite"), encoding="utf-8")
    shown = _shown(str(tmp_path), tmp_path)
    assert set(shown.pictures) == {"plan_by_day", "power"}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.ipynb", "trial.toml"]
