"""Walk the first trials of a maker, from the question to the verdict, for docs/first-trial.md.

    PYTHONPATH=. python docs/walk.py [TRIAL ...]          # colouring, liquids, season

Each trial lives in a temporary folder; no file in it is edited by hand. It is set up by the form in a browser
or by answers to `fizzlab new`; readings are logged through the page of the bench in a browser or, the same
presses, through the logbook behind it. All readings are invented here: `dry_hours` and `write_export`.
What is pressed and typed is counted, and the table of counts written into docs/first-trial.md.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import heapq
import html
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).resolve().parent
sys.path.append(str(HERE.parent / "tests"))

from browsers import BROWSER  # noqa: E402

from fizzlab.bench.logbook import Logbook  # noqa: E402
from fizzlab.cli.check import said  # noqa: E402
from fizzlab.models.air import vapour_pressure_deficit  # noqa: E402
from fizzlab.report import children  # noqa: E402
from fizzlab.report.page import verdict_of  # noqa: E402
from fizzlab.trial import shipped  # noqa: E402
from fizzlab.trial.folder import load  # noqa: E402

PAGE = HERE / "first-trial.md"
PICTURES = HERE / "first-trial"
PATIENCE_MS = 30_000
COLOURS = 48

#: What a press, a key and a question to think about are taken to cost, in seconds: assumed, not measured.
PRESS_S, KEY_S, QUESTION_S = 2.0, 0.4, 8.0

#: The bench of a day that is past: the time stands `ahead` of this computer's, by what a file says.
PAST_BENCH = """\
from pathlib import Path
import time
from fizzlab.bench import buttons, logbook
buttons.Bench.__init__.__defaults__ = (lambda: time.time() + float(Path({ahead!r}).read_text()),)
buttons.show(logbook.Logbook({folder!r}))
"""


@dataclass
class Count:
    """What a maker did: questions answered, keys typed, buttons and ticks pressed, commands started."""

    questions: int = 0
    keys: int = 0
    presses: int = 0
    commands: int = 0
    readings: int = 0

    def typed(self, text: str, *, question: bool = True) -> None:
        self.questions += question
        self.keys += len(text) + 1  # and return, or the tabulator

    @property
    def minutes(self) -> float:
        """Of pressing, typing and thinking about questions; without making, touching and reading."""
        return (self.presses * PRESS_S + self.keys * KEY_S + self.questions * QUESTION_S) / 60


@dataclass(frozen=True)
class Trial:
    """One invented trial: how it is asked for, and what is true of it."""

    told: str
    title: str
    question: str
    factors: tuple[tuple[str, ...], ...]  # name, values and unit of each
    answers: Mapping[str, str]  # by their labels in the form; in the order of the terminal
    ingredients: tuple[tuple[str, ...], ...]  # name, kind, amount and batches of each
    wishes: tuple[tuple[str, ...], ...]  # name, at least, at most
    ratios: Mapping[str, float]  # of dry hours, by level
    air: tuple[float, float]  # humidity of the first and of the last day, %
    seed: int
    moulds: tuple[str, ...] = ()


BASE = (
    ("soda", "baking soda", "1 cup", ""),
    ("acid", "citric acid", "1/2 cup", ""),
    ("starch", "corn starch", "1/4 cup", ""),
)

LOOKS = "3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 24"

TRIALS = {
    "colouring": Trial(
        told="ways of colouring",
        title="Pearl, dye or lake",
        question="Which way of colouring lets pieces dry soonest?",
        factors=(("colour", "pearl, dye, lake"),),
        answers={
            "Pieces looked at": "3",
            "Touched at, hours": LOOKS,
            "Days of making": "4",
            "Batches a day": "3",
            "First day": "2026-02-02",
            "Weekdays": "mon, thu",
            "Pieces a batch makes": "4",
            "A packed mould, g": "85",
        },
        ingredients=(
            *BASE,
            ("oil", "coconut oil", "1 tbsp", ""),
            ("polysorbate", "emulsifier", "2 g", ""),
            ("pearl powder", "mica", "2 g", "colour = pearl"),
            ("dye", "dye", "1 g", "colour = dye"),
            ("lake", "lake", "1 g", "colour = lake"),
        ),
        wishes=(("dry time", "", "12"),),
        ratios={"dye": 1.5, "lake": 1.1},
        air=(58, 70),
        seed=3,
    ),
    "liquids": Trial(
        told="amounts of two liquids, a 2 × 2",
        title="Oil and polysorbate",
        question="Does more oil or more polysorbate slow drying?",
        factors=(("oil", "10, 14", "g"), ("polysorbate", "2, 4", "g")),
        answers={"pieces": "3", "looks": LOOKS, "worth": "", "kind": "", "repeats": "3", "a day": "4"}
        | {"start": "2026-03-02", "weekdays": "mon, thu", "awake": ""},
        ingredients=(
            *BASE,
            ("oil", "coconut oil", "", "oil"),
            ("polysorbate", "emulsifier", "", "polysorbate"),
        ),
        wishes=(("dry time", "", "12"),),
        ratios={"14": 1.05, "4": 1.5},
        air=(60, 66),
        seed=5,
        moulds=("4", "85"),
    ),
    "season": Trial(
        told="a season of humidity",
        title="A damp winter, with and without a fan",
        question="How much longer do pieces dry when the room is damper, and does a fan help?",
        factors=(("air", "still, fan"),),
        answers={"pieces": "2", "looks": LOOKS, "worth": "", "kind": "", "days": "9", "a day": "2"}
        | {"start": "2025-10-04", "weekdays": "sat", "awake": ""},
        ingredients=(),
        wishes=(),
        ratios={"fan": 0.85},
        air=(52, 80),
        seed=8,
    ),
}


def dry_hours(trial: Trial, runs: pd.DataFrame, pieces: int) -> dict[tuple[str, str], float]:
    """Invented: when each piece is dry. Damp air slows by the power 0.8 of its thirst; gamma batches."""
    rng, days = np.random.default_rng(trial.seed), runs["day"].nunique()
    found = {}
    for _, run in runs.iterrows():
        levels = [f"{run[name]:g}" if unit else str(run[name]) for name, _, *unit in trial.factors]
        rh = humidity(trial, int(run["day"]) - 1, days, 11)
        usual = 5.2 * float(np.prod([trial.ratios.get(level, 1.0) for level in levels]))
        usual *= (vapour_pressure_deficit(TEMP_C, rh) / 0.75) ** -0.8 * rng.gamma(80) / 80
        for piece in range(pieces):
            found[str(run["run"]), str(piece + 1)] = float(usual * np.exp(rng.logistic(0, 0.05)))
    return found


def humidity(trial: Trial, day: int, days: int, hour: float) -> float:
    """Invented: the room's humidity, %: from day to day, and highest before dawn."""
    low, high = trial.air
    share = np.clip(day / max(days - 1, 1) + 0.3 * np.sin(2.4 * day + 1), 0, 1)
    return float(low + (high - low) * share + 3 * np.cos((hour - 5) / 12 * np.pi))


TEMP_C = 17.0


def write_export(trial: Trial, days: Sequence[dt.date], path: Path) -> None:
    """What the hygrometer writes: a reading every half hour of a day of making and of the next."""
    rows = {}
    for at, day in enumerate(days):
        for half in range(96):
            when = dt.datetime.combine(day, dt.time()) + dt.timedelta(hours=half / 2)
            rows[when] = (
                f"{when:%Y-%m-%d %H:%M},{TEMP_C:.1f},{humidity(trial, at, len(days), half / 2 % 24):.1f}"
            )
    path.write_text("\n".join(["Time,Temperature(°C),Humidity(%)", *rows.values(), ""]), encoding="utf-8")


def command(room: Path, count: Count, *words: str, typed: str = "", ok: bool = True) -> str:
    """What a command prints, run in the maker's folder."""
    count.commands += 1
    count.typed(" ".join(["fizzlab", *words]), question=False)
    run = [sys.executable, "-m", "fizzlab", *words]
    env = {**os.environ, "PYTHONPATH": str(HERE.parent), "COLUMNS": "96"}
    done = subprocess.run(run, cwd=room, env=env, input=typed, text=True, capture_output=True, check=False)
    if ok and done.returncode:
        raise SystemExit(f"fizzlab {' '.join(words)}:\n{done.stdout}{done.stderr}")
    return (done.stderr + done.stdout) if words[0] == "report" else done.stdout + done.stderr


@contextmanager
def voila(notebook: Path) -> Iterator[str]:
    """A notebook served as a page, as `fizzlab bench` does it; its address."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}/?token=walk"
    words = children.server("voila", notebook, "--no-browser", f"--port={port}", "--Voila.ip=127.0.0.1")
    env = children.surroundings() | {"JUPYTER_TOKEN": "walk"}
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    where = {"cwd": children.SETTINGS, "env": env, "stdin": subprocess.PIPE}
    with subprocess.Popen(words, **quiet, **where) as process:
        try:
            for _ in range(PATIENCE_MS // 200):
                try:
                    urllib.request.urlopen(url.replace("/?", "/login?")).close()
                    break
                except OSError:
                    time.sleep(0.2)
            yield url
        finally:
            process.terminate()


class Camera:
    """Draws screens into a folder in few colours, or nothing where there is no folder."""

    def __init__(self, browser: Any, into: Path | None) -> None:
        self.browser, self.into = browser, into

    def page(self, width: int = 1000, height: int = 800) -> Any:
        page = self.browser.new_page(viewport={"width": width, "height": height})
        page.set_default_timeout(PATIENCE_MS)
        return page

    def shot(self, name: str, what: Any, **options: Any) -> None:
        if self.into is None:
            return
        path = self.into / f"{name}.png"
        what.screenshot(path=path, **options)
        with Image.open(path) as picture:
            few = picture.convert("RGB").quantize(COLOURS, method=Image.Quantize.MAXCOVERAGE)
        few.save(path, optimize=True)

    def terminal(self, name: str, typed: str, printed: str) -> None:
        """A command and what it printed, as a terminal shows them."""
        page = self.page(900, 300)
        style = (
            "margin:0;padding:16px 20px;background:#20262e;color:#e8e6df;white-space:pre-wrap;"
            "font:14px/1.45 'DejaVu Sans Mono',monospace"
        )
        page.set_content(
            f'<body style="margin:0"><pre style="{style}"><b>$ {html.escape(typed)}</b>\n'
            f"{html.escape(printed.rstrip())}</pre>"
        )
        self.shot(name, page, full_page=True)
        page.close()

    def paper(self, name: str, path: Path, within: str, width: int = 794, height: int = 0) -> None:
        """The part of a page that is printed."""
        page = self.page(width, 1000)
        page.goto(path.as_uri())
        page.emulate_media(media="print")
        box = page.locator(within).first.bounding_box()
        clip = {**box, "height": min(box["height"], height or box["height"])}
        self.shot(name, page, full_page=True, clip=clip)
        page.close()


def set_up_by_form(room: Path, trial: Trial, count: Count, camera: Camera) -> None:
    """Fill in the form of setup.ipynb in a browser, for the folder that it proposes, and write it."""
    count.commands += 1
    count.typed("fizzlab lab", question=False)
    count.presses += 3  # the notebook; Run, Run All Cells
    notebook = shipped.put_notebook("setup", room / "notebooks" / "setup.ipynb")
    with voila(notebook) as url:
        page = camera.page(1280, 900)
        page.goto(url)
        page.locator(".fizzlab-setup").wait_for()

        def fill(where: Any, text: str) -> None:
            where.fill(text)
            where.press("Tab")
            count.typed(text)

        def lines(column: str, rows: tuple[tuple[str, ...], ...], names: tuple[str, ...]) -> None:
            for at, row in enumerate(rows):
                line = page.locator(f".fs-line:has(.fs-{column})").nth(at)
                for name, text in zip(names, row, strict=False):
                    if text:
                        fill(line.locator(f".fs-{name} input"), text)
                page.locator(f".fs-line:has(.fs-{column})").nth(at + 1).wait_for()

        fill(page.get_by_label("Title"), trial.title)
        fill(page.get_by_label("Question"), trial.question)
        lines("values", trial.factors, ("name", "values", "unit"))
        lines("amount", trial.ingredients, ("name", "kind", "amount", "goes"))
        lines("at_most", trial.wishes, ("name", "at_least", "at_most"))
        for label, text in trial.answers.items():
            field = page.get_by_label(label, exact=True)
            field.wait_for()
            fill(field, text)
        page.get_by_text("Thu 12 Feb").first.wait_for()  # the last day: all is worked out
        page.set_viewport_size({"width": 1280, "height": 1990})
        page.mouse.wheel(0, -4000)
        page.mouse.click(1270, 1980)
        page.wait_for_timeout(500)
        camera.shot("setup", page, clip={"x": 0, "y": 0, "width": 1280, "height": 1660})
        page.get_by_role("button", name="Write trial.toml").click()
        count.presses += 1
        page.get_by_text("Written:").wait_for()
        page.close()


def set_up_by_answers(room: Path, name: str, trial: Trial, count: Count) -> None:
    """Answer `fizzlab new`; an empty answer is return."""
    lines = [trial.title, trial.question]
    for row in trial.factors:
        lines += row
    lines += ["", "", *trial.answers.values()]  # no more that is changed; what is measured, as offered
    for part, kind, amount, goes in trial.ingredients:
        lines += [part, kind, amount, goes]
    lines += ["", *trial.moulds]
    for wish, least, most in trial.wishes:
        lines += [wish, least, most, "", ""]
    lines += ["", ""]
    for line in lines:
        count.typed(line)
    command(room, count, "new", name, typed="\n".join(lines) + "\n")


class ByBook:
    """Logs through the logbook that stands behind the buttons, and counts as many presses."""

    def __init__(self, folder: Path, count: Count) -> None:
        self.book, self.count = Logbook(folder), count

    def made(self, run: str, at: float) -> None:
        self.book.made(run, at)
        self.count.presses += 2

    def touched(self, run: str, piece: str, dry: bool, at: float) -> None:
        look = self.book.next_looks(at)[0]  # as “Next due” chooses
        if (look.run, look.pieces[0]) != (run, piece):
            raise SystemExit(f"The bench asks for {look}, not for {run}, piece {piece}.")
        self.book.log("touch_checks", run, piece, {"dry": "yes" if dry else "no"}, at)
        self.count.presses += 2


class ByPage:
    """Logs through the page of the bench, in a browser: “Next due”, then the button of the reading."""

    def __init__(self, page: Any, ahead: Path, labels: Mapping[str, str], count: Count) -> None:
        self.page, self.ahead, self.labels, self.count = page, ahead, labels, count
        self.said = page.locator(".fb-message")

    def at(self, at: float) -> None:
        """Let the clock of the bench stand at a time of the past, if it is not there yet."""
        now = time.time() + float(self.ahead.read_text())
        if not -60 < now - at < 60:
            self.ahead.write_text(str(at - time.time()))
            ticked = "at => +document.querySelector('.fb-status [data-now]').dataset.now >= at"
            self.page.wait_for_function(ticked, arg=at - 1)
            self.page.wait_for_timeout(200)

    def press(self, name: str, said: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).locator("visible=true").first.click()
        self.count.presses += 1
        self.said.get_by_text(said).wait_for()

    def made(self, run: str, at: float) -> None:
        self.at(at)
        self.press("Next due", "as it leaves the press")
        self.press("Made now", f"{self.labels[run]}: made at")

    def touched(self, run: str, piece: str, dry: bool, at: float) -> None:
        self.at(at)
        self.press("Next due", "Touch it or weigh it")
        self.page.locator(".fb-chosen").get_by_text(f"Tray {self.labels[run]}, piece {piece}").wait_for()
        word = "dry" if dry else "wet"
        self.press(word.upper(), f"{self.labels[run]}, piece {piece}: {word}")


@contextmanager
def bench_page(
    room: Path, folder: Path, camera: Camera, labels: Mapping[str, str], count: Count
) -> Iterator[ByPage]:
    """The bench of a trial on a day that is past, in a browser."""
    ahead, notebook = room / "ahead", room / "bench.ipynb"
    ahead.write_text("0")
    shipped.put_notebook("bench", notebook)
    cells = json.loads(notebook.read_text(encoding="utf-8"))
    code = next(cell for cell in cells["cells"] if cell["cell_type"] == "code")
    code["source"] = PAST_BENCH.format(ahead=str(ahead), folder=str(folder))
    cells["cells"] = [code]
    notebook.write_text(json.dumps(cells), encoding="utf-8")
    with voila(notebook) as url:
        page = camera.page(390, 844)
        page.goto(url)
        page.wait_for_selector(".fizzlab-bench[data-ready]")
        yield ByPage(page, ahead, labels, count)
        page.close()


def make_and_look(
    trial: Trial,
    runs: pd.DataFrame,
    looks: Sequence[float],
    bench: ByBook | ByPage,
    true: Mapping[tuple[str, str], float],
    shots: Camera | None = None,
) -> None:
    """Make these batches when they are planned, and touch each piece when it is due until it is dry."""
    events: list[tuple[float, int, str, float]] = []
    for place, (_, run) in enumerate(runs.iterrows()):
        made = run["planned_at"].to_pydatetime().timestamp() + 10
        heapq.heappush(events, (made, place, run["run"], 0.0))
        for hours in looks:
            heapq.heappush(events, (made + hours * 3600 + 20, place, run["run"], hours))
    dry = set()
    while events:
        at, _, run, hours = heapq.heappop(events)
        if not hours:
            bench.made(run, at)
            continue
        for (whose, piece), dry_at in true.items():
            if whose != run or (run, piece) in dry:
                continue
            if shots is not None and isinstance(bench, ByPage) and len(dry) == 2:
                bench.at(at)
                shots.shot("bench-phone", bench.page)
                bench.page.set_viewport_size({"width": 1280, "height": 800})
                bench.page.mouse.wheel(0, -5000)
                bench.page.wait_for_timeout(500)
                shots.shot("bench-desk", bench.page)
                bench.page.set_viewport_size({"width": 390, "height": 844})
                shots = None
            bench.touched(run, piece, hours >= dry_at, at)
            dry |= {(run, piece)} if hours >= dry_at else set()


def walk(name: str, room: Path, camera: Camera, *, pressed_days: int = 1) -> tuple[Count, list[str]]:
    """One trial from the question to the verdict; its counts, and the verdict."""
    trial, count, first = TRIALS[name], Count(), name == "colouring"
    name = "my-trial" if first else name
    folder = room / name
    none = Camera(camera.browser, None)
    pictures = camera if first else none
    if first:
        set_up_by_form(room, trial, count, camera)
    else:
        set_up_by_answers(room, name, trial, count)
    pictures.terminal("plan", f"fizzlab plan {name}", command(room, count, "plan", name))
    command(room, count, "labels", name, "--address", "http://192.0.2.7:8866")
    pictures.paper("sheet", folder / "bench-sheet.html", ".day")
    pictures.paper("card", folder / "bench-sheet.html", ".card")
    pictures.paper("labels", folder / "labels.html", ".sheet", height=420)

    loaded = load(folder)
    runs, plan = loaded.rows("runs"), loaded.settings.plan
    assert plan is not None
    looks, true = plan.look_hours("touch_checks"), dry_hours(trial, runs, plan.pieces)
    by_browser = runs[runs["day"].astype(int) <= (pressed_days if first else 0)]
    count.commands += 1  # fizzlab bench
    count.typed(f"fizzlab bench {name}", question=False)
    if len(by_browser):
        labels = dict(zip(runs["run"], runs["blind"], strict=True))
        with bench_page(room, folder, camera, labels, count) as bench:
            make_and_look(trial, by_browser, looks, bench, true, pictures)
    rest = ByBook(
        folder, count
    )  # opened, it puts in what a slow computer had not yet when the page was closed
    if len(by_browser):
        with contextlib.chdir(room):
            evening = dt.datetime.combine(runs["planned_at"].iloc[0].date(), dt.time(21))
            early = dt.datetime.combine(evening.date() + dt.timedelta(days=1), dt.time(9))
            pictures.terminal(
                "check", f"fizzlab check {name}", "\n".join(said(load(Path(name), early), early))
            )
        count.commands += 1
        count.typed(f"fizzlab check {name}", question=False)
    make_and_look(trial, runs.drop(by_browser.index), looks, rest, true)
    with rest.book.alone():  # as the page does when nobody presses
        rest.book.put_in()
    write_export(trial, list(dict.fromkeys(runs["planned_at"].dt.date)), room / "hygrometer.csv")
    command(room, count, "import", name, "hygrometer.csv", "--yes")
    command(room, count, "check", name)
    count.readings = len(load(folder).rows("touch_checks").dropna(subset=["dry"]))
    page = room / command(room, count, "report", name).strip().splitlines()[-1]
    if first:
        front = camera.page(820, 600)
        front.goto(page.as_uri())
        front.add_style_tag(content=".detail { display: none }")
        camera.shot("report", front, full_page=True)
        front.close()
    if name == "season":
        command(room, count, "chart", name, "--for", "fan")
        camera.paper("chart", folder / "wall-chart.html", "main", width=1123)
    return count, verdict_of(page.read_text(encoding="utf-8"))


def main(wanted: list[str]) -> None:
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as at, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        for name in wanted or TRIALS:
            count, verdict = walk(name, Path(at), Camera(browser, PICTURES))
            cells = [TRIALS[name].told, count.questions, count.commands, count.keys, count.presses]
            cells += [count.readings, round(count.minutes), " ".join(verdict)]
            write_row("| " + " | ".join(map(str, cells)) + " |")
        browser.close()


def write_row(row: str) -> None:
    """Put a trial's row into the table of the page, in place of its earlier one."""
    head, rest = PAGE.read_text(encoding="utf-8").split(MARKS[0])
    rows, tail = rest.split(MARKS[1])
    known = {line.split(" | ")[0]: line for line in [*rows.strip().splitlines()[2:], row]}
    told = [f"| {trial.told}" for trial in TRIALS.values()]
    table = [MARKS[0], HEADS, *(known[each] for each in told if each in known), MARKS[1]]
    PAGE.write_text(head + "\n".join(table) + tail, encoding="utf-8")
    print(row, flush=True)


MARKS = ("<!-- counted by walk.py -->", "<!-- end -->")

HEADS = """\
| trial | questions answered | commands | keys | presses | readings | minutes | verdict |
|---|---|---|---|---|---|---|---|"""


if __name__ == "__main__":
    main(sys.argv[1:])
