"""The bench as a page of its own, in a browser: what it asks for, and what outlives a fault."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psutil
import pytest
from browsers import BROWSER, barriers, needs_axe
from PIL import Image

from fizzlab.bench.logbook import Logbook, practice_folder
from fizzlab.trial.folder import load

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed"),
]

PATIENCE = 90_000

#: A phone, a tablet, a computer.
WIDTHS = (390, 820, 1280)


class Command:
    """A running `fizzlab bench`."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-m", "fizzlab", "bench", str(folder), "--port", "0"]
        quiet = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL}
        self.process = subprocess.Popen(command, env={**os.environ, "BROWSER": "true"}, text=True, **quiet)
        assert self.process.stdout is not None
        self.url = re.findall(r"http://\S+", self.process.stdout.readline())[0]
        address, end = urlsplit(self.url), time.monotonic() + PATIENCE / 1000
        while time.monotonic() < end:
            try:
                urllib.request.urlopen(f"http://{address.netloc}/login").close()
                break
            except OSError:
                time.sleep(0.2)

    def children(self, what: str) -> list[psutil.Process]:
        """The processes below it whose command line holds a word."""
        below = psutil.Process(self.process.pid).children(recursive=True)
        return [each for each in below if any(what in part for part in each.cmdline())]

    def open(self, browser: Any, more: str = "") -> Any:
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.set_default_timeout(PATIENCE)
        page.asked = []
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto(self.url + more)
        page.wait_for_selector(".fizzlab-bench[data-ready]")
        return page


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return practice_folder(tmp_path)


@pytest.fixture
def command(folder: Path) -> Iterator[Command]:
    started = Command(folder)
    yield started
    started.process.terminate()
    started.process.wait(30)


def _press(page: Any, name: str, said: str = "") -> None:
    page.get_by_role("button", name=name, exact=True).locator("visible=true").first.click()
    if said:
        page.locator(".fb-message").get_by_text(said).wait_for()


def _choose(page: Any, group: int, name: str) -> None:
    page.locator(".fb-choice").nth(group).get_by_role("button", name=name, exact=True).click()


def test_the_page_asks_nothing_of_the_network_and_fits(
    command: Command, folder: Path, browser: Any, tmp_path: Path
) -> None:
    code = Logbook(folder).trays()[2].label
    with pytest.raises(OSError, match=r"403|404|401"):  # without the token there is only the door
        urllib.request.urlopen(re.sub(r"/\?token.*", "/api/kernels/00000000-0-0-0-0", command.url))
    page = command.open(browser)
    page.goto(re.sub(r"\?.*", f"?tray={code}", command.url))  # as a label says, on a phone that was let in
    page.get_by_text(f"Tray {code}, no piece chosen").wait_for()
    _press(page, "Next due", "Press “Made now” as it leaves the press.")
    chosen = page.locator(".fb-chosen").inner_text()
    _press(page, "Made now", "made at")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        sizes = page.locator(".fizzlab-bench button:visible").evaluate_all(
            "all => all.map(b => [b.getBoundingClientRect().width, b.getBoundingClientRect().height])"
        )
        assert min(min(size) for size in sizes) >= 48
    assert page.locator(".jp-InputArea-editor").count() == 0  # no code, no frame
    page.mouse.wheel(0, 4000)
    assert page.locator(".fb-status").bounding_box()["y"] >= 0  # what is due stays in view
    # a picture, and what is none
    Image.new("RGB", (40, 30), "teal").save(tmp_path / "a.jpg")
    (tmp_path / "b.jpg").write_text("<svg/>")
    for name, said in (("b.jpg", "no JPEG, PNG or WebP picture"), ("a.jpg", "Photograph kept: photos/")):
        with page.expect_file_chooser() as choosing:
            page.locator(".widget-upload").click()
        choosing.value.set_files(tmp_path / name)
        page.locator(".fb-message").get_by_text(said).wait_for()
    (kept,) = (folder / "photos").iterdir()
    assert kept.read_bytes() == (tmp_path / "a.jpg").read_bytes()
    assert kept.name.startswith("R0")
    assert chosen.startswith("Tray ")
    here = urlsplit(command.url).netloc
    assert [
        url for url in page.asked if urlsplit(url).netloc != here and urlsplit(url).scheme != "data"
    ] == []
    page.reload()  # a page that is left takes its kernel with it
    page.wait_for_selector(".fizzlab-bench[data-ready]")
    page.wait_for_timeout(3000)
    assert len(command.children("ipykernel_launcher")) == 1
    page.close()


def test_what_is_killed_in_mid_press_loses_nothing_and_logs_nothing_twice(
    command: Command, folder: Path, browser: Any
) -> None:
    code = Logbook(folder).trays()[0].label
    page = command.open(browser)
    _press(page, "DRY", "Not logged. bench: no tray is chosen.")
    _choose(page, 1, code)
    page.get_by_text("Changed since it was refused: press again.").wait_for()
    _press(page, "Made now", "made at")
    _choose(page, 2, "1")
    _choose(page, 0, "Fizz")
    page.get_by_role("button", name="Start", exact=True).wait_for()
    for key in "38":
        page.locator(".fb-keypad:visible").get_by_role("button", name=key, exact=True).click()
    _press(page, "Start", "The stopwatch runs.")
    page.wait_for_timeout(2500)

    # the network falls silent: the press under way arrives late, the next are not taken
    (server,) = command.children("fizzlab.report.serving")
    watched = float(re.findall(r"[\d.]+", page.locator(".fb-watch").inner_text())[0])
    server.send_signal(signal.SIGSTOP)
    _press(page, "Colour seen")
    page.wait_for_timeout(6000)
    _press(page, "End of fizz")
    page.locator(".gone", has_text="presses are not taken").wait_for()
    server.send_signal(signal.SIGCONT)
    page.locator(".fb-message").get_by_text("colour at").wait_for()
    page.wait_for_timeout(1000)
    (row,) = load(folder).rows("fizz_times").to_dict("records")
    assert row["colour_s"] == pytest.approx(watched, abs=1.5)  # the second of the press, not of its arrival
    assert not row["done"]

    (kernel,) = command.children("ipykernel_launcher")
    _press(page, "End of fizz")
    kernel.kill()
    page.locator(".gone", has_text="No longer connected").wait_for()
    page.reload()
    page.wait_for_selector(".fizzlab-bench[data-ready]")
    page.get_by_text("Taken up again").wait_for()
    ended = "fizz ended" in page.locator(".fb-list").inner_text()
    assert bool(load(folder).rows("fizz_times")["done"].item()) == ended
    if not ended:
        _press(page, "End of fizz", "fizz ended at")
    before = page.locator(".fb-list li").all_inner_texts()
    assert len(before) == 3

    # the command is killed outright: its server and its kernels end with it
    below = psutil.Process(command.process.pid).children(recursive=True)
    command.process.kill()
    assert psutil.wait_procs(below, timeout=30)[1] == []
    page.close()
    again = Command(folder)
    page = again.open(browser)
    assert page.locator(".fb-list li").all_inner_texts() == before
    other = again.open(browser)  # a second page of the same trial: each takes up what the other logged
    for each, mass in ((page, "81"), (other, "80.5")):
        _choose(each, 1, code)
        _choose(each, 2, "2")
        each.wait_for_timeout(1500)
        each.locator(".fb-field:visible input").nth(1).fill(mass)
        _press(each, "Log mass", "Logged")
        time.sleep(37)  # hours count to a hundredth
    assert page.locator(".fb-list li").count() == 5
    page.close()
    other.close()
    again.process.send_signal(signal.SIGTERM)
    again.process.wait(30)
    assert load(folder).rows("weighings")["mass_g"].tolist() == [81.0, 80.5]


@needs_axe
def test_nothing_stands_in_the_way_on_the_page(command: Command, browser: Any) -> None:
    page = command.open(browser)
    assert barriers(page, ".fizzlab-bench") == []
    page.close()
