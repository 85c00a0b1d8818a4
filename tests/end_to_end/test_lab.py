"""Every notebook in a real JupyterLab, in a browser: run, run on another trial, run on a folder that is none.

And the bench: presses by hand and by keyboard, the kernel killed in mid-test, and nothing logged is lost.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import signal
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psutil
import pytest
from browsers import BROWSER, barriers, needs_axe

from fizzlab.bench.logbook import practice_folder
from fizzlab.cli import lab as jupyterlab
from fizzlab.report import children
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")

#: Longest wait for a step, in milliseconds: two busy cores may be shared with other tests.
PATIENCE = 90_000

RUN_ALL = 'li[data-command="runmenu:run-all"]'

#: Notebook, the demo that it shows, and another trial.
NOTEBOOKS = {
    "trial_report": ("season", "binder"),
    "cure": ("season", "binder"),
    "crumble": ("binder", "colour-ways"),
    "effects": ("cores", "binder"),
    "fizz": ("colour-ways", "binder"),
    "season": ("binder", "colour-ways"),
    "plan": ("", "practice"),
}


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab.

    Parameters
    ----------
    home : Path
        Its folder, with copies of the notebooks and of the demo trials.
    url : str
    process : psutil.Process
    """

    home: Path
    url: str
    process: psutil.Process

    def open(self, browser: Any, notebook: str) -> Any:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(PATIENCE)
        page.goto(f"{self.url}/doc/tree/{notebook}")
        page.wait_for_selector(".jp-Notebook .jp-CodeCell")
        page.wait_for_function("document.querySelector('#jp-main-statusbar')?.innerText.includes('Idle')")
        return page

    def kernels(self) -> list[psutil.Process]:
        """The kernel processes."""
        found = []
        for child in self.process.children(recursive=True):
            with contextlib.suppress(psutil.NoSuchProcess):
                if any("ipykernel_launcher" in part for part in child.cmdline()):
                    found.append(child)
        return found


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    home = tmp_path_factory.mktemp("lab")
    jupyterlab.put_notebooks(home)
    for demo in shipped.demo_trials():
        shutil.copytree(demo, home / demo.name)
    practice_folder(home / "made").rename(home / "practice")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = {
        f"JUPYTERLAB_{name}_DIR": str(home / f".{name.lower()}") for name in ("SETTINGS", "WORKSPACES")
    }
    command = children.server(
        "jupyterlab", home, "--no-browser", "--IdentityProvider.token=''", "--port", str(port)
    )
    with (home / ".log").open("wb") as log:
        process = subprocess.Popen(
            command,
            cwd=children.SETTINGS,
            env={**children.surroundings(), **settings},
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
        try:
            url = f"http://127.0.0.1:{port}"
            _wait_for(f"{url}/api", home / ".log")
            yield Lab(home, url, psutil.Process(process.pid))
        finally:
            for _ in range(2):  # the first asks whether it is meant
                process.send_signal(signal.SIGINT)
                time.sleep(0.3)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()


def _wait_for(url: str, log: Path) -> None:
    end = time.monotonic() + PATIENCE / 1000
    while time.monotonic() < end:
        with contextlib.suppress(OSError):
            urllib.request.urlopen(url).close()
            return
        time.sleep(0.2)
    raise AssertionError(f"JupyterLab did not start: {log.read_text()[-2000:]}")


#: The notebook in front; others may be open behind it.
SHOWN = ".jp-NotebookPanel:not(.lm-mod-hidden) .jp-CodeCell"


def _run_all(page: Any) -> None:
    """Run every cell by the menu, and wait for the end."""
    numbers = f"[...document.querySelectorAll('{SHOWN} .jp-InputPrompt')].map(p => p.textContent)"
    before = page.evaluate(numbers)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    assert page.locator(RUN_ALL).inner_text().startswith("Run All Cells")  # as the notebooks call it
    page.locator(RUN_ALL).click()
    page.wait_for_function(
        f"before => {{ const now = {numbers};"
        r" return now[0] != before[0] && /^\[\d+\]:$/.test(now[0]) && !now.some(p => p.includes('*')) }",
        arg=before,
    )


def _set_folder(page: Any, folder: str) -> None:
    """Type another trial folder into the cell of parameters."""
    page.locator(".jp-CodeCell .cm-content").first.click()
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.insert_text(f'trial_folder = "{folder}"')


def _outputs(page: Any) -> list[str]:
    """The text of each output; of those out of sight the browser lays out none, but has it all the same."""
    return [text.strip() for text in page.locator(f"{SHOWN} .jp-OutputArea-output").all_text_contents()]


@pytest.mark.parametrize("notebook", NOTEBOOKS)
def test_notebook_runs_takes_another_trial_and_errs_in_sentences(
    notebook: str, lab: Lab, browser: Any
) -> None:
    demo, other = NOTEBOOKS[notebook]
    page = lab.open(browser, f"{notebook}.ipynb")
    _run_all(page)
    first = _outputs(page)
    title = load(lab.home / demo).settings.title if demo else "Which of four changes matter for drying?"
    assert title in first[0]
    assert not [text for text in first if "Error" in text or "Traceback" in text]
    pictures = (
        "[...document.querySelectorAll('.jp-Notebook img')].every(i => i.complete && i.naturalWidth > 50)"
    )
    page.wait_for_function(pictures)
    _set_folder(page, other)
    _run_all(page)
    second = _outputs(page)
    assert load(lab.home / other).settings.title in second[0]
    assert not [text for text in second if "Error" in text or "Traceback" in text]
    assert first != second
    _set_folder(page, "no-such-trial")
    _run_all(page)
    page.wait_for_timeout(1500)  # a cell that reached the kernel after the one that failed is run
    said, *late = [text for text in _outputs(page) if text]
    assert said == (
        "no-such-trial: there is no such folder. Check the name, or make one with: fizzlab new FOLDER."
    )
    nothing = "No trial is loaded. Mend the folder in the first cell, then choose Run, Run All Cells."
    assert set(late) <= {nothing}
    page.locator(".jp-CodeCell .cm-content").nth(2).click()
    page.keyboard.press("Shift+Enter")
    page.get_by_text(nothing).first.wait_for()
    assert title not in "".join(_outputs(page))
    assert "Traceback" not in page.locator(".jp-Notebook").text_content()
    page.close()


def test_the_first_notebook_opens_what_each_trial_needs(lab: Lab, browser: Any) -> None:
    page = lab.open(browser, "start.ipynb")
    page.locator(".jp-CodeCell .cm-content").first.click()
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.insert_text('trials_folder: str = "."')
    _run_all(page)
    table = page.locator(".jp-OutputArea-output table")
    names = [*(source.name for source in shipped.demo_trials()), "practice"]
    assert table.locator("tbody th").all_text_contents() == sorted(names)
    row = table.locator("tr", has=page.get_by_role("rowheader", name="binder", exact=True))
    row.get_by_role("link", name="drying", exact=True).click()
    page.wait_for_url("**/opened/binder/cure.ipynb")
    page.get_by_role("heading", name="Drying, step by step").wait_for()
    page.wait_for_function("document.querySelector('#jp-main-statusbar')?.innerText.includes('Idle')")
    _run_all(page)
    assert load(lab.home / "binder").settings.title in _outputs(page)[0]
    page.close()


def test_bench_keeps_what_was_logged_when_its_kernel_is_killed(lab: Lab, browser: Any) -> None:
    folder = lab.home / "bench-trial"
    shutil.copytree(lab.home / "practice", folder)
    jupyterlab.put_bench(folder)
    others = set(lab.kernels())
    page = lab.open(browser, "bench-trial/bench.ipynb")
    _run_all(page)
    bench = page.locator(".fizzlab-bench:visible")
    run, code = "R01", load(folder).rows("runs").set_index("run").loc["R01", "blind"]
    words = bench.inner_text()
    assert "pearl" not in words
    assert "R01" not in words

    def press(name: str, said: str) -> None:
        bench.get_by_role("button", name=name, exact=True).locator("visible=true").first.click()
        bench.locator(".fb-head").get_by_text(said).wait_for()

    def choose(group: int, name: str) -> None:
        bench.locator(".fb-choice").nth(group).get_by_role("button", name=name, exact=True).click()

    press("DRY", "Not logged. bench: no tray is chosen.")
    choose(1, code)
    press("Made now", f"Logged: {code}: made at")
    choose(2, "2")
    bench.get_by_text(f"Tray {code}, piece 2 · made").wait_for()
    press("WET", "piece 2: wet at")

    # by keyboard: from the button on, tabulator and return; a focus that can be seen
    page.keyboard.press("Tab")
    focus = page.evaluate(
        "[document.activeElement.innerText, getComputedStyle(document.activeElement).outlineStyle,"
        " parseInt(getComputedStyle(document.activeElement).outlineWidth)]"
    )
    assert focus[:2] == ["DRY", "solid"]
    assert focus[2] >= 3
    page.keyboard.press("Tab")
    page.keyboard.type("81,25")
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    bench.get_by_text(f"Logged: {code}, piece 2: 81.25 g at").wait_for()
    for key in ("x", "d", "d"):  # keys by which JupyterLab cuts a cell, but not while a button has the focus
        page.keyboard.press(key)
    assert page.locator(".jp-Cell").count() == 5
    sizes = bench.locator("button:visible").evaluate_all(
        "all => all.map(b => [b.getBoundingClientRect().width, b.getBoundingClientRect().height])"
    )
    assert min(min(size) for size in sizes) >= 48

    choose(0, "Fizz")
    bench.get_by_role("button", name="Start", exact=True).wait_for()
    choose(2, "1")
    for key in "38":
        bench.locator(".fb-keypad:visible").get_by_role("button", name=key, exact=True).click()
    started = time.time()
    press("Start", "The stopwatch runs.")
    page.wait_for_timeout(1500)
    press("Colour seen", f"Logged: {code}, piece 1: colour at")
    logged = bench.locator(".fb-list li").all_inner_texts()
    assert len(logged) == 4
    before = _table(folder)

    (kernel,) = set(lab.kernels()) - others
    kernel.kill()
    bench.get_by_text("No longer connected").wait_for()  # the page says so by itself
    with contextlib.suppress(Exception):
        page.get_by_role("button", name="Ok").click(timeout=2000)
    assert _table(folder) == before
    page.reload()
    page.wait_for_selector(".jp-Notebook .jp-CodeCell")
    page.wait_for_function("document.querySelector('#jp-main-statusbar')?.innerText.includes('Idle')")
    _run_all(page)
    bench.get_by_text("Taken up again: what was logged is below.").wait_for()
    assert bench.locator(".fb-list li").all_inner_texts() == logged
    shown = float(re.findall(r"[\d.]+", bench.locator(".fb-watch").inner_text())[0])
    assert shown == pytest.approx(time.time() - started, abs=5)
    press("End of fizz", f"Logged: {code}, piece 1: fizz ended at")
    press("Undo", "Taken back:")
    press("End of fizz", f"Logged: {code}, piece 1: fizz ended at")
    page.close()

    trial = load(folder)
    touched = trial.rows("touch_checks")
    assert touched[["run", "piece", "dry"]].to_numpy().tolist() == [[run, "2", False]]
    weighed = trial.rows("weighings")
    assert weighed[["run", "piece", "mass_g"]].to_numpy().tolist() == [[run, "2", 81.25]]
    (fizzed,) = trial.rows("fizz_times").to_dict("records")
    assert (fizzed["run"], fizzed["piece"], fizzed["water_c"], fizzed["done"]) == (run, "1", 38.0, True)
    assert 1.0 < fizzed["colour_s"] < fizzed["seconds"] < time.time() - started
    assert trial.batches().loc[run, "made_at"].timestamp() == pytest.approx(started, abs=120)


@needs_axe
def test_nothing_stands_in_the_way_at_the_bench(lab: Lab, browser: Any) -> None:
    folder = lab.home / "bench-barriers"
    shutil.copytree(lab.home / "practice", folder)
    jupyterlab.put_bench(folder)
    page = lab.open(browser, "bench-barriers/bench.ipynb")
    _run_all(page)
    modes = page.locator(".fizzlab-bench:visible .fb-choice").first
    for width in (1280, 360):
        page.set_viewport_size({"width": width, "height": 900})
        for mode in modes.get_by_role("button").all_inner_texts():
            modes.get_by_role("button", name=mode, exact=True).click()
            assert barriers(page, ".fizzlab-bench") == [], (width, mode)
    page.close()


def _table(folder: Path) -> dict[str, list[dict[str, object]]]:
    """Everything that the door reads."""
    trial = load(folder)
    return {name: table.rows.astype(str).to_dict("records") for name, table in trial.tables.items()}


def test_a_trial_is_set_up_by_answering(lab: Lab, browser: Any) -> None:
    page = lab.open(browser, "setup.ipynb")
    _run_all(page)
    form = page.locator(".fizzlab-setup:visible")

    def answer(label: str, said: str, line: int = 0) -> None:
        field = form.get_by_label(label, exact=True).nth(line)
        field.fill(said)
        field.press("Enter")

    answer("Folder", "two-by-two")
    answer("Title", "Pearl and gum")
    answer("Question", "Does pearl or gum slow drying?")
    answer("what is changed", "colour")
    answer("ways or amounts", "none, pearl")
    answer("what is changed", "gum", 1)
    answer("ways or amounts", "0.6, 1.2 g", 1)
    answer("Repeats", "3")
    answer("Batches a day", "3")
    form.get_by_text("12 batches on 4 days: full factorial.").wait_for()
    answer("ingredient", "soda")
    answer("what it is", "baking soda")
    answer("amount", "1 cup")
    form.get_by_text("soda: 220.8 g (1 cup)").wait_for()
    wide = "f => [...f.querySelectorAll('.fs-form input')].every(i => i.getBoundingClientRect().right <= "
    assert form.evaluate(wide + "f.querySelector('.fs-seen').getBoundingClientRect().left)")
    form.get_by_role("button", name="Write it and plan", exact=True).click()
    form.get_by_text("Planned: bench-sheet.html, readings.xlsx.").wait_for()
    page.close()
    assert len(load(lab.home / "two-by-two").rows("runs")) == 12
