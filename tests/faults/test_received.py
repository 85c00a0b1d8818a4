"""A folder that someone sent never runs as code, nor is one of its notebooks opened as fizzlab's own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from weird import made

from fizzlab.cli.main import main
from fizzlab.report import children
from fizzlab.report import pdf as printing
from fizzlab.trial import shipped

MakeTrial = Callable[..., Path]

#: Modules that fizzlab, Python, IPython or Jupyter would import, were the folder on their path.
MODULES = (
    *("sitecustomize", "usercustomize", "numpy", "pandas", "fizzlab", "multiprocessing", "asyncio", "zmq"),
    *("IPython", "ipykernel", "ipykernel_launcher", "ipython_config", "jupyter_server_config", "jupyterlab"),
    *("matplotlib", "papermill", "traitlets", "openpyxl", "debugpy", "comm", "scipy", "seaborn", "click"),
)


def trap(folder: Path, log: Path) -> None:
    """Put modules, and all that might start with a kernel, into a folder; each that runs says so in `log`."""
    code = f"import os\nwith open({str(log)!r}, 'a') as log:\n    log.write(__file__ + chr(10))\n"
    places = [folder / f"{name}.py" for name in MODULES]
    places += [
        folder / place / "startup" / "a.py" for place in ("profile_default", ".ipython/profile_default")
    ]
    places += [folder / ".jupyter" / "jupyter_server_config.py"]
    for path in places:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(code, encoding="utf-8")


def test_children_have_no_current_folder_on_path(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(["", ".", "lib", str(kept)]))
    monkeypatch.setenv("JUPYTER_PATH", "mine")
    monkeypatch.chdir(tmp_path)
    given = children.surroundings()
    assert given["PYTHONPATH"] == str(kept)
    assert given["PYTHONSAFEPATH"] == "1"
    assert given["JUPYTER_PATH"].split(os.pathsep) == [str(children.SETTINGS), "mine"]
    monkeypatch.chdir(Path(children.__file__).parents[2])  # of a checkout, which is fizzlab itself
    assert str(Path.cwd()) in children.surroundings()["PYTHONPATH"].split(os.pathsep)


def test_the_kernel_takes_nothing_from_where_it_works(tmp_path: Path) -> None:
    log = tmp_path / "log"
    trap(tmp_path, log)
    spec = json.loads((children.KERNELS / "python3" / "kernel.json").read_text())
    options = [word for word in spec["argv"][1:] if word not in ("-f", "{connection_file}")]
    asked = "import sys, json; from ipykernel.kernelapp import IPKernelApp; print(json.dumps(sys.path))"
    command = [sys.executable, "-P", "-c", asked]
    told = subprocess.run(
        command, cwd=tmp_path, env=children.surroundings(), capture_output=True, text=True, check=True
    )
    assert {"", str(tmp_path)}.isdisjoint(json.loads(told.stdout))
    assert options == [
        "-P",
        "-m",
        "ipykernel_launcher",
        "--InteractiveShellApp.ignore_cwd=True",
        "--log-level=50",
    ]
    assert not log.exists()


@pytest.mark.parametrize(
    ("change", "same"),
    [
        (lambda code: None, True),
        (lambda code: code[0].update(source='trial_folder = "../other"'), True),
        (lambda code: code[0].update(source='trial_folder: print("x") = ""'), False),
        (lambda code: code[0].update(source='trial_folder: str = ""  # a\rprint("x")'), False),
        (lambda code: code[0].update(source='trial_folder: str = ""  # a\u2028!touch x'), False),
        (lambda code: code[0].update(source='trial_folder: str = ""; print("x")'), False),
        (lambda code: code[1].update(source=[*code[1]["source"], '\nprint("x")']), False),
        (lambda code: code.clear(), False),
    ],
)
def test_a_notebook_is_opened_only_where_its_cells_are_ours(
    change: Callable[[list[dict[str, object]]], None], same: bool, tmp_path: Path
) -> None:
    first = shipped.put_notebook("bench", tmp_path / "bench.ipynb", tmp_path)
    read = json.loads(first.read_text(encoding="utf-8"))
    code = [cell for cell in read["cells"] if cell["cell_type"] == "code"]
    change(code)
    read["cells"] = code if not code else read["cells"]
    first.write_text(json.dumps(read), encoding="utf-8")
    before = first.read_bytes()
    again = shipped.put_notebook("bench", tmp_path / "bench.ipynb", tmp_path)
    assert again.name == ("bench.ipynb" if same else "bench-2.ipynb")
    assert shipped.is_as_shipped("bench", again)
    assert first.read_bytes() == before
    assert shipped.put_notebook("bench", tmp_path / "bench.ipynb", tmp_path) == again


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"cells": 1}', "[" * 5000, "\x00"])
def test_what_is_no_notebook_is_not_opened(text: str, tmp_path: Path) -> None:
    (tmp_path / "bench.ipynb").write_text(text, encoding="utf-8")
    assert shipped.put_notebook("bench", tmp_path / "bench.ipynb", tmp_path).name == "bench-2.ipynb"


def test_bench_says_which_notebook_it_opens(make_trial: MakeTrial, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, opened = make_trial(), list[str]()
    monkeypatch.setattr("fizzlab.cli.lab._run", lambda command, **told: opened.append(" ".join(command)) or 0)
    monkeypatch.setattr("fizzlab.cli.lab._open_when_there", lambda *where: None)
    (folder / "bench.ipynb").write_text("{}", encoding="utf-8")
    said = CliRunner().invoke(main, ["bench", str(folder)]).stderr
    assert "holds other cells than fizzlab's own, so bench-2.ipynb was opened." in said
    assert f"fizzlab bench {folder} --own" in said
    CliRunner().invoke(main, ["bench", str(folder), "--own", "--lab"])
    notebooks = folder.parent / "notebooks"
    notebooks.mkdir()
    (notebooks / "start.ipynb").write_text("{}", encoding="utf-8")
    assert "so start-2.ipynb was opened" in CliRunner().invoke(main, ["lab", str(notebooks)]).stderr
    pages = ["/bench-2.ipynb", "doc/tree/bench.ipynb", "notebooks/start-2.ipynb"]
    assert len(opened) == 3
    assert all(page in command for page, command in zip(pages, opened, strict=True))
    assert "voila" in opened[0]
    assert "--Voila.ip=127.0.0.1" in opened[0]  # this computer only, unless --phone is given


def test_a_browser_in_the_current_folder_is_not_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "chromium").write_text("#!/bin/sh\n", encoding="utf-8")
    (tmp_path / "chromium").chmod(0o755)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(printing.NotPrinted, match="none of them was found"):
        printing.find_browser({"PATH": os.pathsep.join([".", str(tmp_path / "no")])}, system="win32")


def test_a_page_that_leads_elsewhere_is_not_printed(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text('<meta content="0;url=file:///etc/hosts" http-equiv = "&#114;eFresh">', encoding="utf-8")
    with pytest.raises(printing.NotPrinted, match="would lead to another page"):
        printing.print_pdf(page, tmp_path / "page.pdf", browser=Path(sys.executable))


@pytest.mark.slow
def test_hostile_folders_run_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Reports of two trials at once, from within their season, and kernels that JupyterLab would start."""
    log, season = tmp_path / "log", tmp_path / "sea{x}son $a$ $b"
    season.mkdir()
    folders = [made(season, demo, demo, lambda folder: None) for demo in ("colour-ways", "season")]
    for folder in (season, *folders):
        trap(folder, log)
    report = [sys.executable, "-P", "-c", "from fizzlab.cli.main import main; main()", "report"]
    env = {**children.surroundings(), "PYTHONSAFEPATH": ""}
    told = subprocess.run([*report, "."], cwd=season, env=env, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
    assert all((folder / "records" / f"{folder.name}-1" / "report.html").is_file() for folder in folders)
    asked = (
        "import sys; from jupyter_client.manager import start_new_kernel as start\n"
        "manager, client = start(kernel_name='python3')\n"
        "said = client.execute_interactive('import numpy, fizzlab, multiprocessing, matplotlib.pyplot')\n"
        "manager.shutdown_kernel(now=True); sys.exit(said['content']['status'] != 'ok')"
    )
    for folder in folders:
        subprocess.run(
            [sys.executable, "-P", "-c", asked], cwd=folder, env=children.surroundings(), check=True
        )
    ran = log.read_text().splitlines() if log.exists() else []
    with capsys.disabled():
        print(f"\n{3 * len(MODULES)} modules in 3 folders, 2 reports, 2 kernels: {len(ran)} ran")
    assert ran == []


@pytest.mark.slow
def test_a_printed_page_holds_nothing_of_other_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from pypdf import PdfReader

    try:
        printing.find_browser()
    except printing.NotPrinted:
        pytest.skip("no Chromium-family browser is installed")
    (tmp_path / "other.html").write_text("<p>SECRETWORD</p>", encoding="utf-8")
    (tmp_path / "other.css").write_text("p::after { content: 'SECRETWORD' }", encoding="utf-8")
    page, style = ((tmp_path / name).as_uri() for name in ("other.html", "other.css"))
    tricks = [
        f'<iframe src="{page}"></iframe>',
        f'<object data="{page}"></object>',
        f'<embed src="{page}">',
        f'<link rel="stylesheet" href="{style}">',
        f'<style>@import "{style}";</style>',
        "<script>document.body.innerHTML = 'SECRETWORD'</script>",
    ]
    for number, trick in enumerate(tricks):
        html = tmp_path / f"{number}.html"
        html.write_text(f"<html><head></head><body><p>hello</p>{trick}</body></html>", encoding="utf-8")
        printing.print_pdf(html, html.with_suffix(".pdf"))
        text = "".join(sheet.extract_text() for sheet in PdfReader(html.with_suffix(".pdf")).pages)
        assert "hello" in text
        assert "SECRETWORD" not in text, trick
    with capsys.disabled():
        print(f"\n{len(tricks)} ways to another file, none in print")


def test_an_altered_record_is_not_printed(tmp_path: Path) -> None:
    from kept_trial import keep_record

    page = keep_record(tmp_path / "quay")
    page = page if page.is_file() else next((tmp_path / "quay" / "records").glob("*/report.html"))
    page.write_text(page.read_text(encoding="utf-8") + " ", encoding="utf-8")
    said = CliRunner().invoke(main, ["pdf", str(page.parent)])
    assert said.exit_code == 2
    assert "was altered: report.html was changed." in said.stderr
