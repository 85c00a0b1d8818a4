"""The notebooks: how they are stored, what they show and hand on, and the first one's list of trials."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import nbformat
import pytest
from kept_trial import keep_record
from planned_trials import toml

from fizzlab.errors import BadInput, CannotAnswer, FizzlabError
from fizzlab.report import notebook, parts
from fizzlab.report.analysis import analyse
from fizzlab.report.page import Finding, Findings, Part
from fizzlab.report.run import write_report
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]


@pytest.mark.parametrize("path", shipped.notebooks(), ids=lambda path: path.stem)
def test_notebooks_are_thin_and_stored_without_outputs(path: Path) -> None:
    stored = nbformat.read(path, as_version=4)
    nbformat.validate(stored)
    code = [cell for cell in stored.cells if cell.cell_type == "code"]
    assert "parameters" in code[0].metadata.get("tags", [])
    assert ": str = " in code[0].source
    for cell in code:
        assert cell.outputs == []
        assert cell.execution_count is None
        assert len(cell.source.splitlines()) <= 15
    assert dict(stored.metadata.kernelspec) == {
        "display_name": "Python 3 (ipykernel)",
        "language": "python",
        "name": "python3",
    }
    assert {"name", "mimetype", "file_extension", "pygments_lexer"} <= set(stored.metadata.language_info)


@pytest.mark.parametrize("path", shipped.reports(), ids=lambda path: path.stem)
def test_papermill_knows_the_folder_as_a_text(path: Path) -> None:
    from papermill.inspection import inspect_notebook  # type: ignore[import-untyped]

    (known,) = inspect_notebook(str(path)).values()
    assert (known["name"], known["inferred_type_name"], known["default"]) == ("trial_folder", "str", '""')


def test_without_a_trial_every_question_gets_one_sentence() -> None:
    nothing: Any = notebook.NO_TRIAL
    for ask in (lambda: nothing.trial, lambda: nothing[0], lambda: parts.opening(nothing)):
        with pytest.raises(FizzlabError, match=r"^No trial is loaded\. Mend the folder in the first cell"):
            ask()
    assert not hasattr(nothing, "_repr_html_")


def test_a_section_shows_itself_and_hands_on_its_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    told = Finding("dry_time", "Half are dry after 4.0 h.", 4.0, 3.5, 4.6, "h")
    part = Part(["## Drying", Findings([told], "plain")])
    assert part.findings[["estimate", "low", "high"]].to_numpy().tolist() == [[4.0, 3.5, 4.6]]
    assert Part([]).findings.empty
    part._ipython_display_()
    assert "Half are dry after 4.0" in capsys.readouterr().out


def test_a_response_without_a_fit_says_why(make_trial: MakeTrial) -> None:
    done = analyse(load(make_trial(touch_checks__csv=None)))
    with pytest.raises(CannotAnswer, match=r"No dry time was measured\. Fill in the table touch_checks\."):
        done.fit("dry_h")


def test_the_first_notebook_lists_trials_and_sets_notebooks_to_them(
    make_trial: MakeTrial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_record(tmp_path / "season" / "reported")
    keep_record(tmp_path / "changed")
    with (tmp_path / "changed" / "room_log.csv").open("a") as log:
        log.write("2026-02-09T21:00,17.5,66\n")
    shutil.copytree(make_trial(touch_checks__csv=None), tmp_path / "made")
    shutil.copytree(make_trial(), tmp_path / "read")
    shutil.rmtree(tmp_path / "quay")
    for name, text in {"planned": toml("compare"), "broken <b>": "title = 1"}.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "trial.toml").write_text(text, encoding="utf-8")
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    here = tmp_path / "notebooks"
    here.mkdir()
    monkeypatch.chdir(here)
    found = notebook.trials("..")
    table = found.table.set_index("trial")
    assert table["state"]["made"] == "4 batches, nothing read yet"
    assert table["state"]["read"] == "4 batches, not reported yet"
    assert table["state"]["planned"] == "not planned yet"
    assert table["state"]["broken <b>"].startswith("3 problems to mend: trial.toml, ")
    assert table["state"]["season/reported"].startswith("reported on 20")
    assert table["state"]["changed"].endswith("; a table was changed since")
    assert list(table["links"]["made"]) == ["the bench", "trial.toml"]
    assert list(table["links"]["planned"]) == ["the plan", "trial.toml"]
    assert (
        table["links"]["season/reported"]["the report"] == "../season/reported/records/reported-1/report.html"
    )
    for folder, links in table["links"].items():
        assert all((here / to).is_file() for to in links.values()), folder
        assert not [to for to in links.values() if Path(to).is_absolute()]
    # each copy is set to its trial, and the trials themselves hold what they held
    cure = Path(table["links"]["season/reported"]["drying"])
    cell = next(cell for cell in nbformat.read(cure, as_version=4).cells if cell.cell_type == "code")
    folder = cell.source.split("'")[1]
    assert load(cure.parent / folder).settings.title == "Two ways of colouring"
    assert {path for path in tmp_path.rglob("*") if path.is_file() and here not in path.parents} == before
    assert "broken &lt;b&gt;" in found.html()
    assert 'href="../broken%20%3Cb%3E/trial.toml"' in found.html()


def test_where_no_trial_is_the_first_notebook_says_how_to_begin(tmp_path: Path) -> None:
    assert "fizzlab new my-trial" in notebook.trials(tmp_path).html()
    with pytest.raises(BadInput, match=r"there is no such folder\. Check the name"):
        notebook.trials(tmp_path / "nowhere")


@pytest.mark.slow
@pytest.mark.parametrize("name", [path.stem for path in shipped.reports() if path.stem != "plan"])
def test_every_picture_of_a_notebook_has_a_description(name: str, tmp_path: Path) -> None:
    from bs4 import BeautifulSoup
    from nbconvert import HTMLExporter

    folder = tmp_path / "binder"
    for demo in ("binder", "season", "colour-ways"):  # which names the others as earlier ones
        shutil.copytree(shipped.demo(demo), tmp_path / demo)
    page = write_report(folder, notebook=name)
    html, _ = HTMLExporter().from_filename(str(page.with_name("report.ipynb")))
    described = [each["alt"] for each in BeautifulSoup(html, "html.parser").find_all("img")]
    assert described
    assert not [words for words in described if len(words) < 20 or words.startswith("No description")]
    kept = BeautifulSoup(page.read_text(encoding="utf-8"), "html.parser")
    assert len(kept.find_all("figcaption")) == len(kept.find_all("img")) == len(described)
