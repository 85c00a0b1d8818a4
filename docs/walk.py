"""Walk the first trials of a maker, from the question to the verdict, for docs/first-trial.md.

    PYTHONPATH=. python docs/walk.py [TRIAL ...]          # colouring, liquids, season

Each trial lives in a temporary folder; no file in it is edited by hand. It is set up by the form in a
browser, as wide as a computer, a tablet or a phone. On the page of the bench, as wide, all readings of the
first batch are pressed, and of the first batch of every further day its making and a touch; the others go,
by as many presses, through the logbook behind it, which the page takes up as those of a second page.
All readings are invented here: `dry_hours` and `write_export`. What is pressed and typed is counted, and the
table of counts written into docs/first-trial.md.
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
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).resolve().parent
sys.path.append(str(HERE.parent / "tests"))

from browsers import BROWSER  # noqa: E402

from fizzlab.bench import logbook  # noqa: E402
from fizzlab.cli.check import said  # noqa: E402
from fizzlab.models.air import vapour_pressure_deficit  # noqa: E402
from fizzlab.report import children  # noqa: E402
from fizzlab.report.page import verdict_of  # noqa: E402
from fizzlab.trial import shipped  # noqa: E402
from fizzlab.trial.folder import load  # noqa: E402

PAGE = HERE / "first-trial.md"
PICTURES = HERE / "first-trial"
PATIENCE_MS = 60_000
COLOURS = 48
TALLEST = 2400

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
    """What a maker did: questions answered, keys typed, buttons pressed, some `in_browser`, and commands."""

    questions: int = 0
    keys: int = 0
    presses: int = 0
    in_browser: int = 0
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
    answers: Mapping[str, str]  # by their labels in the form
    last_day: str  # of its calendar
    ingredients: tuple[tuple[str, ...], ...]  # name, kind, amount and batches of each
    wishes: tuple[tuple[str, ...], ...]  # name, at least, at most
    ratios: Mapping[str, float]  # of dry hours, by level
    air: tuple[float, float]  # humidity of the first and of the last day, %
    seed: int
    width: int  # of the screen
    device: str


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
        last_day="Thu 12 Feb",
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
        width=1280,
        device="desk",
    ),
    "liquids": Trial(
        told="amounts of two liquids, a 2 × 2",
        title="Oil and polysorbate",
        question="Does more oil or more polysorbate slow drying?",
        factors=(("oil", "10, 14", "g"), ("polysorbate", "2, 4", "g")),
        answers={
            "Pieces looked at": "3",
            "Touched at, hours": LOOKS,
            "Repeats": "3",
            "Batches a day": "4",
            "First day": "2026-03-02",
            "Weekdays": "mon, thu",
            "Pieces a batch makes": "4",
            "A packed mould, g": "85",
        },
        last_day="Mon 9 Mar",
        ingredients=(
            *BASE,
            ("oil", "coconut oil", "", "oil"),
            ("polysorbate", "emulsifier", "", "polysorbate"),
        ),
        wishes=(("dry time", "", "12"),),
        ratios={"14": 1.05, "4": 1.5},
        air=(60, 66),
        seed=5,
        width=820,
        device="tablet",
    ),
    "season": Trial(
        told="a season of humidity, nothing changed",
        title="A damp winter",
        question="How much longer do pieces dry when the room is damper?",
        factors=(),
        answers={
            "Kind of plan": "season",
            "Pieces looked at": "2",
            "Touched at, hours": LOOKS,
            "Days of making": "9",
            "Batches a day": "2",
            "First day": "2025-10-04",
            "Weekdays": "sat",
        },
        last_day="Sat 29 Nov",
        ingredients=(),
        wishes=(),
        ratios={},
        air=(52, 80),
        seed=8,
        width=390,
        device="phone",
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
def voila(folder: Path) -> Iterator[str]:
    """The notebooks of a folder served as pages, as `fizzlab bench` serves one; the address of one by {}."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}/voila/render/{{}}.ipynb?token=walk"
    words = children.server("voila", folder, "--no-browser", f"--port={port}", "--Voila.ip=127.0.0.1")
    env = children.surroundings() | {"JUPYTER_TOKEN": "walk"}
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    where = {"cwd": children.SETTINGS, "env": env, "stdin": subprocess.PIPE}
    with subprocess.Popen(words, **quiet, **where) as process:
        try:
            for _ in range(PATIENCE_MS // 200):
                try:
                    urllib.request.urlopen(url.partition("/voila")[0] + "/login").close()
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

    def whole(self, name: str, page: Any, within: str) -> None:
        """All of a page that is longer than its screen, without a pointer or a cursor on it."""
        if self.into is None:
            return
        width = page.viewport_size["width"]
        page.set_viewport_size({"width": width, "height": 2000})
        page.mouse.wheel(0, -9000)
        page.evaluate("document.activeElement.blur()")
        page.wait_for_timeout(500)
        box = page.locator(within).bounding_box()
        height = min(box["height"] + 2 * box["y"], TALLEST)
        page.set_viewport_size({"width": width, "height": int(height)})
        page.wait_for_timeout(300)
        self.shot(name, page)

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


def set_up(url: str, name: str, trial: Trial, count: Count, camera: Camera) -> None:
    """Fill in the form of setup.ipynb in a browser, and write it."""
    count.commands += 1
    count.typed("fizzlab lab", question=False)
    count.presses += 3  # the notebook; Run, Run All Cells
    page = camera.page(trial.width, 900)
    page.goto(url.format("setup"))
    page.locator(".fizzlab-setup").wait_for()

    def fill(where: Any, text: str) -> None:
        where.fill(text)
        where.press("Tab")
        count.typed(text)

    def lines(column: str, rows: tuple[tuple[str, ...], ...], names: tuple[str, ...]) -> None:
        for at, row in enumerate(rows):
            line = page.locator(f".fs-line:has(.fs-{column})").nth(at)
            for field, text in zip(names, row, strict=False):
                if text:
                    fill(line.locator(f".fs-{field} input"), text)
            page.locator(f".fs-line:has(.fs-{column})").nth(at + 1).wait_for()

    folder = page.get_by_label("Folder", exact=True)
    if folder.input_value() != f"../{name}":
        fill(folder, f"../{name}")
    fill(page.get_by_label("Title"), trial.title)
    fill(page.get_by_label("Question"), trial.question)
    lines("values", trial.factors, ("name", "values", "unit"))
    lines("amount", trial.ingredients, ("name", "kind", "amount", "goes"))
    lines("at_most", trial.wishes, ("name", "at_least", "at_most"))
    for label, text in trial.answers.items():
        field = page.get_by_label(label, exact=True)
        field.wait_for()
        if field.evaluate("field => field.tagName") == "SELECT":
            says = field.locator("option").all_text_contents()
            field.select_option(next(each for each in says if each.startswith(f"{text}:")))
            count.questions += 1
            count.presses += 2
            count.in_browser += 2
        else:
            fill(field, text)
    page.get_by_text(trial.last_day).first.wait_for()  # all is worked out
    camera.whole(f"setup-{trial.device}", page, ".fizzlab-setup")
    page.get_by_role("button", name="Write trial.toml").click()
    count.presses += 1
    count.in_browser += 1
    page.get_by_text("Written:").wait_for()
    page.close()


class ByBook:
    """Logs through the logbook that stands behind the buttons, and counts as many presses."""

    def __init__(self, folder: Path, count: Count) -> None:
        self.book, self.count = logbook.Logbook(folder), count

    def made(self, run: str, at: float) -> None:
        with self.book.alone():
            self.book.made(run, at)
        self.count.presses += 2

    def touched(self, run: str, piece: str, dry: bool, at: float) -> None:
        look = self.book.next_looks(at)[0]  # as “Next due” chooses
        if (look.run, look.pieces[0]) != (run, piece):
            raise SystemExit(f"The bench asks for {look}, not for {run}, piece {piece}.")
        with self.book.alone():
            self.book.log("touch_checks", run, piece, {"dry": "yes" if dry else "no"}, at)
        self.count.presses += 2

    def put_in(self) -> None:
        """As the page does when nobody presses."""
        with self.book.alone():
            self.book.put_in()


class ByPage:
    """Logs through the page of the bench, in a browser: “Next due”, then the button of the reading."""

    def __init__(self, page: Any, ahead: Path, labels: Mapping[str, str], count: Count) -> None:
        self.page, self.ahead, self.labels, self.count = page, ahead, labels, count
        self.said = page.locator(".fb-message")

    def at(self, at: float) -> None:
        """Let the clock of the bench stand at a time of the past, and the page take up what others logged."""
        clock = "+document.querySelector('.fb-status [data-now]').dataset.now"
        seen = self.page.evaluate(clock)
        if not -60 < time.time() + float(self.ahead.read_text()) - at < 60:
            whole = self.ahead.with_suffix(".new")  # never half of it
            whole.write_text(str(at - time.time()))
            whole.replace(self.ahead)
        ticked = f"([at, seen]) => {clock} !== seen && Math.abs({clock} - at) < 90"
        self.page.wait_for_function(ticked, arg=[at, seen])

    def press(self, name: str, said: str) -> None:
        self.page.get_by_role("button", name=name, exact=True).locator("visible=true").first.click()
        self.count.presses += 1
        self.count.in_browser += 1
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
    url: str, notebook: Path, folder: Path, width: int, camera: Camera, count: Count
) -> Iterator[ByPage]:
    """The bench of a trial on a day that is past, in a browser."""
    ahead = notebook.with_suffix(".ahead")
    ahead.write_text("0")
    shipped.put_notebook("bench", notebook)
    cells = json.loads(notebook.read_text(encoding="utf-8"))
    code = next(cell for cell in cells["cells"] if cell["cell_type"] == "code")
    code["source"] = PAST_BENCH.format(ahead=str(ahead), folder=str(folder))
    cells["cells"] = [code]
    notebook.write_text(json.dumps(cells), encoding="utf-8")
    runs = load(folder).rows("runs")
    page = camera.page(width, 844)
    page.goto(url.format(notebook.stem))
    page.wait_for_selector(".fizzlab-bench[data-ready]")
    yield ByPage(page, ahead, dict(zip(runs["run"], runs["blind"], strict=True)), count)
    page.close()


def make_and_look(
    runs: pd.DataFrame,
    looks: Sequence[float],
    page: ByPage,
    book: ByBook,
    true: Mapping[tuple[str, str], float],
    shot: Callable[[], None] | None,
) -> None:
    """Make the batches of a day when they are planned, and touch each piece when it is due until it is dry.

    In the browser: the making of the first batch, and one touch of it, or all of them where a shot is wanted,
    which is taken when two pieces are dry. All others: through the logbook.
    """
    events: list[tuple[float, int, str, float]] = []
    for place, (_, run) in enumerate(runs.iterrows()):
        made = run["planned_at"].to_pydatetime().timestamp() + 10
        heapq.heappush(events, (made, place, run["run"], 0.0))
        for hours in looks:
            heapq.heappush(events, (made + hours * 3600 + 20, place, run["run"], hours))
    dry, pressed, whole = set(), 0, shot is not None
    by: ByPage | ByBook = page
    while events:
        at, place, run, hours = heapq.heappop(events)
        for whose, piece in [each for each in true if each[0] == run][: None if hours else 1]:
            if (whose, piece) in dry:
                continue
            here = place == 0 and (whole or not hours or pressed < 1)
            if not here and by is page:
                book.book.catch_up()
            if here and by is book:
                book.put_in()
            by = page if here else book
            if here and shot and len(dry) >= 2:
                page.at(at)
                shot()
                shot = None
            if not hours:
                by.made(run, at)
                continue
            by.touched(run, piece, hours >= true[run, piece], at)
            pressed += here
            dry |= {(run, piece)} if hours >= true[run, piece] else set()
    book.book.catch_up()
    book.put_in()


def walk(name: str, room: Path, url: str, camera: Camera) -> tuple[Count, list[str]]:
    """One trial from the question to the verdict; its counts, and the verdict."""
    trial, count, first = TRIALS[name], Count(), name == "colouring"
    name = "my-trial" if first else name
    folder = room / name
    pictures = camera if first else Camera(camera.browser, None)
    set_up(url, name, trial, count, camera)
    pictures.terminal("plan", f"fizzlab plan {name}", command(room, count, "plan", name))
    command(room, count, "labels", name, "--address", "http://192.0.2.7:8866")
    pictures.paper("sheet", folder / "bench-sheet.html", ".day")
    pictures.paper("card", folder / "bench-sheet.html", ".card")
    pictures.paper("labels", folder / "labels.html", ".sheet", height=420)

    loaded = load(folder)
    runs, plan = loaded.rows("runs"), loaded.settings.plan
    assert plan is not None
    looks, true = plan.look_hours("touch_checks"), dry_hours(trial, runs, plan.pieces)
    count.commands += 1  # fizzlab bench
    count.typed(f"fizzlab bench {name}", question=False)
    logbook.SLOW_S = 0.0  # the logbook puts in at the end of a day
    notebook = room / "notebooks" / f"bench-{name}.ipynb"
    with bench_page(url, notebook, folder, trial.width, camera, count) as page:
        book = ByBook(folder, count)
        page.at(runs["planned_at"].iloc[0].to_pydatetime().timestamp() - 60)
        for day, batches in runs.groupby(runs["day"].astype(int)):
            shot = partial(camera.shot, f"bench-{trial.device}", page.page) if day == 1 else None
            make_and_look(batches, looks, page, book, true, shot)
            if day == 1 and first:
                evening = dt.datetime.combine(runs["planned_at"].iloc[0].date(), dt.time(21))
                early = dt.datetime.combine(evening.date() + dt.timedelta(days=1), dt.time(9))
                with contextlib.chdir(room):
                    lines = "\n".join(said(load(Path(name), early), early))
                pictures.terminal("check", f"fizzlab check {name}", lines)
    write_export(trial, list(dict.fromkeys(runs["planned_at"].dt.date)), room / "hygrometer.csv")
    command(room, count, "import", name, "hygrometer.csv", "--yes")
    command(room, count, "check", name)
    count.readings = len(load(folder).rows("touch_checks").dropna(subset=["dry"]))
    report = room / command(room, count, "report", name).strip().splitlines()[-1]
    front = camera.page(min(trial.width, 820), 600)
    front.goto(report.as_uri())
    front.add_style_tag(content=".detail { display: none }")
    camera.shot(f"report-{trial.device}", front, full_page=True)
    front.close()
    if name == "season":
        command(room, count, "chart", name)
        camera.paper("chart", folder / "wall-chart.html", "main", width=1123)
    return count, verdict_of(report.read_text(encoding="utf-8"))


@contextmanager
def workshop(room: Path) -> Iterator[str]:
    """The maker's folder with a copy of the form; the address of its notebooks."""
    shipped.put_notebook("setup", room / "notebooks" / "setup.ipynb")
    with voila(room / "notebooks") as url:
        yield url


def main(wanted: list[str]) -> None:
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as at, sync_playwright() as playwright, workshop(Path(at)) as url:
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        for name in wanted or TRIALS:
            count, verdict = walk(name, Path(at), url, Camera(browser, PICTURES))
            cells = [TRIALS[name].told, count.questions, count.commands, count.keys, count.presses]
            cells += [count.in_browser]
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
| trial | questions answered | commands | keys | presses | in a browser | readings | minutes | verdict |
|---|---|---|---|---|---|---|---|---|"""


if __name__ == "__main__":
    main(sys.argv[1:])
