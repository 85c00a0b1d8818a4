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
import tomlkit
from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).resolve().parent
sys.path += [str(HERE.parent / "tests"), str(HERE.parent / "tests" / "frozen")]

import calibration  # noqa: E402
import make_frozen  # noqa: E402
from browsers import BROWSER  # noqa: E402

from fizzlab.records import signed  # noqa: E402
from fizzlab.report.many import write_reports  # noqa: E402
from fizzlab.report.page import verdict_of  # noqa: E402
from fizzlab.report.pdf import print_pdf  # noqa: E402
from fizzlab.trial import shipped  # noqa: E402

WIDTH, MOST_BYTES = 820, 120_000
DATED = signed(date="2027-08-02")  # after the last of the invented batches

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


def frozen(code: str, *about: str) -> Make:
    """A simulated trial, whose question may be said to be about some responses."""

    def make(folder: Path) -> None:
        make_frozen.TRIALS[code](folder.parent)
        path = folder / "trial.toml"
        toml = tomlkit.parse(path.read_text(encoding="utf-8"))
        if about:
            toml["question"] = {"text": toml["question"], "about": [*about]}
        path.write_text(tomlkit.dumps(toml), encoding="utf-8")

    return make


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
        (
            "Gum dries 6 % slower and crumbles 60 % more, together with lake still more; it "
            "fizzes alike and foams 8 mm less. Dye dries 40 % slower than pearl, lake 6 %; lake "
            "fizzes 22 % longer."
        ),
        (
            "keep emulsifier + pearl, wait 4.8 h at 17 °C / 70 %; do not swap to gum (crumbles more, less"
            " foam); make the 6 suggested batches."
        ),
        (
            "Yes. Gum costs firmness and foam; whether it dries a little slower, which it does, "
            "the page leaves open."
        ),
    ),
    "colour-ways": Scene(
        "Demo: pearl, dye or lake",
        demo("colour-ways"),
        (
            "Dye dries 40 % slower than pearl, lake 10 %; lake fizzes 25 % longer and crumbles "
            "more, dye does not."
        ),
        (
            "use pearl, wait 5.2 h at 59 %, 6.2 h at 70 %, 9.2 h at 83 %; look up the doubt, then make "
            "each way twice more."
        ),
        (
            "Yes. That lake is slower is true; that it is 27 % slower (3 to 57 %) is more than "
            "the true 10 %, which lies inside."
        ),
    ),
    "binder": Scene(
        "Demo: how much emulsifier",
        demo("binder"),
        "1.8 g of emulsifier dries 35 % slower than 0.6 g, and loses 45 % less in the tumble.",
        (
            "keep 1.2 g for now, wait 8.6 h at 70 %, 14.7 h at 84 %; make each of the three amounts twice"
            " more before choosing."
        ),
        "Yes.",
    ),
    "season": Scene(
        "Demo: a harbour winter",
        demo("season"),
        "95 % of a typical batch are dry after 5.4 h at 58 % humidity and 14.7 h at 88 % (16 °C).",
        (
            "read the humidity: pack after 7.6 h at 58 %, 10 h at 70 %, 20 h at 86 % (16 °C); keep "
            "looking at damp-day trays longer."
        ),
        "Yes.",
    ),
    "clear-yes": Scene(
        "A clear yes",
        pearl_or_dye(2, SLOWER, calibration.Case("rough", 6, ratio=1.7, day_sd=0.1, batch_sd=0.1)),
        "Dye takes 70 % longer to dry than pearl.",
        (
            "keep pearl, wait 18.3 h at 16 °C / 67 %, accept that 13 h often fails; make 3 confirming "
            "pearl batches, looking often from 8 to 24 h."
        ),
        ("Yes: 80 % slower (30 % to 2.5 times) holds the truth, and the direction is beyond doubt."),
    ),
    "clear-no": Scene(
        "A clear no",
        pearl_or_dye(2, SLOWER, calibration.Case("plain", 6, **QUIET)),
        "Dye and pearl dry alike and fizz alike.",
        (
            "use dye (pearl does as well), wait 11.3 h at 16 °C / 67 %, make 3 confirming dye batches, "
            "looking often between 8 and 12 h."
        ),
        ("Yes: of two that are as good as equal either will do."),
    ),
    "cant-tell": Scene(
        "Can’t tell",
        pearl_or_dye(3, SLOWER, calibration.Case("rough", 4, ratio=1.15, batch_sd=0.3)),
        "Dye dries 15 % slower, among batches that differ by 30 % of themselves.",
        (
            "choose neither; do not promise 13 h; make the 6 suggested batches on damper and drier days, "
            "pearl meanwhile only if I must sell."
        ),
        "Yes: the truth lies far inside what is left open, and no number tempts one to act.",
    ),
    "damp-year": Scene(
        "A season, with and without a fan",
        frozen("damp-year"),
        (
            "The fan shortens drying by 16 %; damp air lengthens it by the power 0.8 of the "
            "vapour-pressure deficit."
        ),
        (
            "fan on; wait fan-off times to be safe: 3.9 h at 28 %, 9.5 h at 78 %, 16.9 h at 89 %; look up the"
            " two doubts."
        ),
        "Yes: the waits are for the fan off, which is the longer.",
    ),
    "split": Scene(
        "A split plot",
        frozen("split"),
        (
            "The machine shortens drying by 26 % and adds 10 % to the tumble loss. Dye dries 40 % "
            "slower, lake 10 %; lake crumbles 30 % more and fizzes 20 % longer."
        ),
        (
            "dry the air, colour with lake, wait 5.6 h at 18 °C / 72 %; but first make the 6 suggested "
            "batches, pearl with dried air included."
        ),
        (
            "In part: drying the air is right. Lake is what the trial's own wishes choose, for it fizzes "
            "longest; that it dries slower and crumbles more the table says."
        ),
    ),
    "ways": Scene(
        "One factor",
        frozen("ways", "dry_h", "tumble_loss_pct"),
        (
            "No colour dries 10 % sooner than pearl, dye 45 % and lake 12 % slower; lake crumbles "
            "more. Colour shows after 7 s with none, 9 s with pearl, 4 s with dye, 14 s with "
            "lake."
        ),
        (
            "keep dye only if fast colour matters, wait 8.2 h at 16 °C / 70 %; otherwise pearl; make 6 "
            "suggested batches, then 3 confirming."
        ),
        (
            "Yes: no colour and pearl dry soonest, and dye shows soonest, for which the page keeps it. "
            "Whether lake crumbles more, which it does, the page leaves open."
        ),
    ),
    "bend": Scene(
        "Amounts",
        frozen("bend", "tumble_loss_pct"),
        (
            "Least is lost in the tumble with 26 g of oil and 5.6 g of gum: 1.9 %, against 2.3 % "
            "with 22 g and 4.5 g."
        ),
        (
            'keep oil 22 g + gum 4.5 g, wait 6.2 h at 17 °C / 68 %; then make the 6 batches from "fizzlab'
            ' next bend" before going towards more gum.'
        ),
        (
            "Yes: the best lies between those made, towards more gum, and gives 0.4 points less loss, "
            "hardly more indeed."
        ),
    ),
    "doubtful": Scene(
        "A doubtful reading that turns the answer",
        pearl_or_dye(9, LONGER, calibration.Case("plain", 6, ratio=1.35, batch_sd=0.1), ten_times, "fizz_s"),
        (
            "Dye fizzes 35 % longer. One fizz time of pearl was typed with a nought too many; "
            "without that slip the verdict is “43 % longer (22 to 68 %)”."
        ),
        (
            "stop; check row 18 of fizz_times.csv in my notes, mend it or leave it out with a reason, "
            "rerun; meanwhile pearl, wait 15 h."
        ),
        ("Yes: row 18 is the slip, and what is said to hold without it is what does."),
    ),
    "lost-day": Scene(
        "A lost day",
        pearl_or_dye(9, SLOWER, calibration.Case("plain", 6, ratio=1.5, batch_sd=0.1), flooded),
        "Dye dries 50 % slower. Both batches of the fourth day were lost to a flood.",
        (
            "keep pearl, wait 18.3 h at 16 °C / 67 %; make the 6 suggested batches first, replacing the "
            "flooded day, then 3 confirming pearl ones."
        ),
        "Yes: 41 % slower (9 to 82 %) from the ten batches that are left, which are named.",
    ),
    "twice": Scene(
        "Looked at twice",
        pearl_or_dye(10, SLOWER, calibration.Case("plain", 6, ratio=1.35, batch_sd=0.08, day_sd=0.08)),
        ("Dye dries 35 % slower. A report was made after six batches, and this one after twelve."),
        (
            "keep pearl, wait 15.5 h at 16 °C / 67 %; make 3 confirming pearl batches, some on damper, "
            "some on drier days."
        ),
        "Yes.",
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


def look(browser: Any, html: Path) -> None:
    """The report as it is seen at three widths, and its front page on two papers."""
    for width in (1280, 820, 390):
        page = browser.new_page(viewport={"width": width, "height": 1000})
        page.goto(html.as_uri())
        if page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
            print(f"{html.stem} is wider than {width} pixels")
        page.screenshot(path=html.with_name(f"{html.stem}-{width}.png"), full_page=True)
        page.close()
    for paper in ("a4", "letter"):
        pdf = html.with_name(f"{html.stem}-{paper}.pdf")
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
        outcome = write_reports([folders[name]], signed=DATED)[0]
        assert outcome.page, outcome.trouble
        for path, table in tables.items():
            table.to_csv(path, index=False)
        (folders[name] / "runs.csv").write_text(whole[name], encoding="utf-8")
    found = {}
    for name, outcome in zip(folders, write_reports(list(folders.values()), signed=DATED), strict=True):
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
Under each picture stands what is true, what somebody would do next who looked at the page for a minute and
had seen neither the kit nor the truth, and whether that agrees. The alternative text of each picture is the
page's verdict."""


def main(into: Path | None, wanted: list[str]) -> None:
    (HERE / "fronts").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as room, sync_playwright() as playwright:
        reports = report_on(Path(room), wanted or list(SCENES))
        if into is not None:
            into.mkdir(parents=True, exist_ok=True)
            for name, html in reports.items():
                shutil.copy(html, into / f"{name}.html")
        browser = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": 600})
        for name, html in reports.items():
            draw(page, html, HERE / "fronts" / f"{name}.png")
            if into is not None:
                look(browser, into / f"{name}.html")
        verdicts = {name: verdict_of(html.read_text(encoding="utf-8")) for name, html in reports.items()}
        browser.close()
    if not wanted:
        (HERE / "fronts.md").write_text(page_of(verdicts), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None, sys.argv[2:])
