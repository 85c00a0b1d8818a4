"""Make docs/fronts.md: the front page of four demo trials and of ten simulated ones, each beside its truth.

    PYTHONPATH=. python docs/fronts.py [LOOK [NAME ...]]

Reports on all of them, draws the front pages to docs/fronts/ and writes the page. Into a folder LOOK go
the same pages as a browser shows them on a desk, a tablet and a phone, and as both papers print them, to
be looked at; with names, of those trials alone. What a reader would do next was written down by hand
after a minute with each page: do that again when one changes.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).resolve().parent
sys.path += [str(HERE.parent / "tests"), str(HERE.parent / "tests" / "frozen")]

import calibration  # noqa: E402
import make_frozen  # noqa: E402
from browsers import BROWSER  # noqa: E402

from fizzlab.report.many import write_reports  # noqa: E402
from fizzlab.report.page import verdict_of  # noqa: E402
from fizzlab.report.pdf import print_pdf  # noqa: E402
from fizzlab.trial import shipped  # noqa: E402

WIDTH, MOST_BYTES = 820, 120_000

Make = Callable[[Path], None]  # writes the tables into the folder of the trial


@dataclass(frozen=True)
class Scene:
    """A trial, what is true in it, what a reader does next after a minute, and whether that agrees."""

    title: str
    make: Make
    truth: str
    then: str
    agrees: str
    batches_before: int = 0  # of a report that was made earlier


def demo(code: str) -> Make:
    return lambda folder: shutil.copytree(shipped.demo(code), folder, dirs_exist_ok=True) and None


def frozen(code: str) -> Make:
    return lambda folder: make_frozen.TRIALS[code](folder.parent)


def pearl_or_dye(
    seed: int, question: str, case: calibration.Case, spoil: Make | None = None, about: str = "dry_h"
) -> Make:
    """A trial of the calibration, under a question; `spoil` changes its tables afterwards."""

    def make(folder: Path) -> None:
        calibration.write_trial(folder, np.random.default_rng(seed), case)
        toml = calibration.TOML.replace('"quay"', f'"{folder.name}"').replace(
            "Invented trial", "Pearl or dye"
        )
        old = 'question = "Does dye dry slower than pearl?"\n'
        asked = f'\n[question]\ntext = "{question}"\nabout = ["{about}"]\n'
        (folder / "trial.toml").write_text(toml.replace(old, asked), encoding="utf-8")
        if spoil is not None:
            spoil(folder)

    return make


def ten_times(folder: Path) -> None:
    """Type one fizz time of pearl with a nought too many."""
    runs, fizz = (pd.read_csv(folder / f"{name}.csv") for name in ("runs", "fizz_times"))
    pearl = runs.loc[runs["colour"] == "pearl", "run"].iloc[2]
    slip = fizz.index[fizz["run"] == pearl][1]
    fizz.loc[slip, "seconds"] = round(10 * fizz.loc[slip, "seconds"])
    fizz.to_csv(folder / "fizz_times.csv", index=False)


def flooded(folder: Path) -> None:
    """Leave out all that was made on the fourth day."""
    runs = pd.read_csv(folder / "runs.csv")
    runs["leave_out"] = runs["day"].map({4: "the quay was flooded and the trays stood in water"})
    runs.to_csv(folder / "runs.csv", index=False)


SLOWER, LONGER = "Does dye dry slower than pearl?", "Does a piece with dye fizz longer than one with pearl?"
QUIET = {"day_sd": 0.05, "batch_sd": 0.05, "piece_sd": 0.08}

SCENES: dict[str, Scene] = {
    "cores": Scene(
        "Demo: gum or emulsifier, and which colour",
        demo("cores"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "colour-ways": Scene(
        "Demo: pearl, dye or lake",
        demo("colour-ways"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "binder": Scene(
        "Demo: how much emulsifier",
        demo("binder"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "season": Scene(
        "Demo: a harbour winter",
        demo("season"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "clear-yes": Scene(
        "A clear yes",
        pearl_or_dye(1, SLOWER, calibration.Case("rough", 6, ratio=1.6)),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "clear-no": Scene(
        "A clear no",
        pearl_or_dye(2, SLOWER, calibration.Case("plain", 6, **QUIET)),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "cant-tell": Scene(
        "Can’t tell",
        pearl_or_dye(3, SLOWER, calibration.Case("rough", 4, ratio=1.15, batch_sd=0.3)),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "damp-year": Scene(
        "A season, with and without a fan",
        frozen("damp-year"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "split": Scene(
        "A split plot",
        frozen("split"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "ways": Scene(
        "One factor",
        frozen("ways"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "bend": Scene(
        "Amounts",
        frozen("bend"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "doubtful": Scene(
        "A doubtful reading that turns the answer",
        pearl_or_dye(8, LONGER, calibration.Case("plain", 6, ratio=1.35), ten_times, "fizz_s"),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "lost-day": Scene(
        "A lost day",
        pearl_or_dye(9, SLOWER, calibration.Case("plain", 6, ratio=1.4), flooded),
        "TRUTH",
        "THEN",
        "AGREES",
    ),
    "twice": Scene(
        "Looked at twice",
        pearl_or_dye(10, SLOWER, calibration.Case("plain", 6, ratio=1.3)),
        "TRUTH",
        "THEN",
        "AGREES",
        batches_before=6,
    ),
}


def draw(page: Any, html: Path, out: Path) -> None:
    """The front page alone, in as few colours as keep it small."""
    page.goto(html.as_uri())
    page.add_style_tag(content=".detail { display: none }")
    page.screenshot(path=out, full_page=True)
    with Image.open(out) as picture:
        for colours in (48, 24, 12):
            picture.convert("RGB").quantize(colours, method=Image.Quantize.MAXCOVERAGE).save(
                out, optimize=True
            )
            if out.stat().st_size <= MOST_BYTES:
                return
    raise SystemExit(f"{out} is larger than {MOST_BYTES} bytes.")


def look(browser: Any, html: Path, into: Path) -> None:
    """The front page as it is seen at three widths and on two papers."""
    for width in (1280, 820, 390):
        page = browser.new_page(viewport={"width": width, "height": 1000})
        page.goto(html.as_uri())
        if page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
            print(f"{html.parent.name} is wider than {width} pixels")
        page.screenshot(path=into / f"{html.parent.name}-{width}.png", full_page=True)
        page.close()
    for paper in ("a4", "letter"):
        pdf = into / f"{html.parent.name}-{paper}.pdf"
        print_pdf(html, pdf, paper=paper)  # type: ignore[arg-type]
        subprocess.run(["pdftoppm", "-r", "80", "-png", str(pdf), str(pdf.with_suffix(""))], check=True)


def report_on(home: Path, wanted: list[str]) -> dict[str, Path]:
    """The report of each scene that is wanted, by its name."""
    folders = {name: home / name for name in wanted}
    for name in wanted:
        SCENES[name].make(folders[name])
    early = [name for name in wanted if SCENES[name].batches_before]
    whole = {name: (folders[name] / "runs.csv").read_text(encoding="utf-8") for name in early}
    for name in early:
        kept = whole[name].splitlines(keepends=True)[: 1 + SCENES[name].batches_before]
        (folders[name] / "runs.csv").write_text("".join(kept), encoding="utf-8")
        tables = {path: pd.read_csv(path) for path in folders[name].glob("[tf]*s.csv")}
        names = [line.partition(",")[0] for line in kept]
        for path, table in tables.items():
            table[table["run"].isin(names)].to_csv(path, index=False)
        outcome = write_reports([folders[name]])[0]
        assert outcome.page, outcome.trouble
        for path, table in tables.items():
            table.to_csv(path, index=False)
        (folders[name] / "runs.csv").write_text(whole[name], encoding="utf-8")
    found = {}
    for name, outcome in zip(folders, write_reports(list(folders.values())), strict=True):
        assert outcome.page, f"{name}: {outcome.trouble}"
        found[name] = outcome.page
    return found


def page_of(verdicts: dict[str, list[str]]) -> str:
    """docs/fronts.md."""
    lines = [HEAD]
    for name, scene in SCENES.items():
        alt = " ".join(verdicts[name]).replace("[", "(").replace("]", ")")
        lines += [f"\n## {scene.title}\n", f"![{alt}](fronts/{name}.png)\n"]
        lines += [f"**The truth.** {scene.truth}\n", f"**After one minute I would:** {scene.then}\n"]
        lines += [f"**Does that agree?** {scene.agrees}"]
    return "\n".join(lines) + "\n"


HEAD = """\
# Front pages, beside the truth

Made by `python docs/fronts.py`. Every trial here is invented: the four demos, and ten that were simulated,
by `tests/calibration.py`, whose "rough" process has another shape than the models (batches spread as the
logarithm of a gamma, days as Student's t, a touch that gets stricter), or by `tests/frozen/make_frozen.py`.
Under each picture stands what is true, what a reader would do next after one minute with the page, and
whether that agrees. The alternative text of each picture is the page's verdict."""


def main(into: Path | None, wanted: list[str]) -> None:
    (HERE / "fronts").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as room, sync_playwright() as playwright:
        reports = report_on(Path(room), wanted or list(SCENES))
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 600})
        for name, html in reports.items():
            draw(page, html, HERE / "fronts" / f"{name}.png")
            if into is not None:
                into.mkdir(parents=True, exist_ok=True)
                look(browser, html, into)
        verdicts = {name: verdict_of(html.read_text(encoding="utf-8")) for name, html in reports.items()}
        browser.close()
    if not wanted:
        (HERE / "fronts.md").write_text(page_of(verdicts), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None, sys.argv[2:])
