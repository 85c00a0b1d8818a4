"""Valid trials that nobody would make: demo trials bent by one hand each, and a report made of them in here."""

from __future__ import annotations

import ast
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fizzlab.report import page
from fizzlab.trial import shipped

Bend = Callable[[Path], None]

#: Labels that Markdown, mathtext, format strings, HTML, regular expressions or a spreadsheet would obey.
LABELS = (
    "$a$ $b",
    "{x} {0}",
    "$\\frac{1}",
    "![a](http://x)",
    "<b>&amp;",
    "50 %",
    "(.*",
    "=1+1",
    "_x",
    "ß'\"`|*",
)


def table(name: str, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Bend:
    """Change one table, all of whose cells are texts."""

    def bend(folder: Path) -> None:
        path = folder / f"{name}.csv"
        change(pd.read_csv(path, dtype=str, keep_default_na=False)).to_csv(path, index=False)

    return bend


def numbers(name: str, column: str, change: Callable[[pd.DataFrame, pd.Series], Any]) -> Bend:
    """Change one column of numbers."""

    def of(rows: pd.DataFrame) -> pd.DataFrame:
        return rows.assign(**{column: change(rows, pd.to_numeric(rows[column]))})

    return table(name, of)


def left_out(*names: str) -> Bend:
    """Leave out every row of some tables."""

    def bend(folder: Path) -> None:
        for name in names:
            table(name, lambda rows: rows.assign(leave_out="spoilt"))(folder)

    return bend


def only(*names: str) -> Bend:
    """Keep no other tables."""

    def bend(folder: Path) -> None:
        for path in folder.glob("*.csv"):
            if path.stem not in names:
                path.unlink()

    return bend


def few(batches: int) -> Bend:
    """Keep the first batches."""

    def bend(folder: Path) -> None:
        kept = set(pd.read_csv(folder / "runs.csv", dtype=str)["run"][:batches])
        for path in folder.glob("*.csv"):
            if path.stem != "room_log":
                table(path.stem, lambda rows: rows[rows["run"].isin(kept)])(folder)

    return bend


def label(text: str) -> Bend:
    """Call a level of the colour so, in trial.toml and in runs, and the factor, title and question too."""

    def bend(folder: Path) -> None:
        only("runs", "weighings", "fizz_times")(folder)
        toml = (folder / "trial.toml").read_text(encoding="utf-8")
        told = json.dumps(text, ensure_ascii=False)
        toml = toml.replace('"lake"', told).replace('"way of colouring"', told)
        toml = re.sub(
            r"^(title|question|place|made_by) = .*$", lambda m: f"{m[1]} = {told}", toml, flags=re.M
        )
        (folder / "trial.toml").write_text(toml, encoding="utf-8")
        table("runs", lambda rows: rows.assign(colour=rows["colour"].replace("lake", text)))(folder)

    return bend


def drops(seed: int, kind: str) -> Bend:
    """Drops of every batch, from few heights: pieces alike, pieces that differ, or none that fits."""

    def bend(folder: Path) -> None:
        only("runs")(folder)
        draw, rows = np.random.default_rng(seed), []
        heights = np.sort(draw.choice([10.0, 20, 30, 40, 60, 80], draw.integers(2, 5), replace=False))
        edge = draw.choice(heights)
        for run in pd.read_csv(folder / "runs.csv")["run"]:
            for number, height in enumerate(draw.choice(heights, draw.integers(2, 6)), start=1):
                own = {
                    "alike": edge,
                    "differ": edge * np.exp(draw.normal(0, 0.4)),
                    "random": draw.choice(heights),
                }
                rows.append(
                    (run, f"D{number}", number, f"{height:g}", "yes" if height >= own[kind] else "no")
                )
        found = pd.DataFrame(rows, columns=["run", "piece", "order", "height_cm", "broke"])
        found.to_csv(folder / "drops.csv", index=False)

    return bend


def every_piece(answer: str) -> Bend:
    return table("touch_checks", lambda rows: rows.drop_duplicates(["run", "piece"]).assign(dry=answer))


#: Name, the demo that is bent, and how.
TRIALS: list[tuple[str, str, Bend]] = [
    *((f"label {text}", "colour-ways", label(text)) for text in LABELS),
    *((f"drops {kind} {seed}", "colour-ways", drops(seed, kind)) for kind in ("alike", "differ", "random") for seed in range(6)),
    *((f"{many} batches", demo, few(many)) for many in (1, 2, 3) for demo in ("colour-ways", "season", "cores")),
    *((f"{demo} left out", demo, left_out("runs")) for demo in ("colour-ways", "season", "cores")),
    *((f"{name} left out", "colour-ways", left_out(name)) for name in ("touch_checks", "weighings", "fizz_times", "crumble_scores")),
    ("tumbles left out", "cores", left_out("tumbles")),
    ("shelf left out", "season", left_out("shelf")),
    *((f"shelf grows by {share:g}", "season", numbers("shelf", "gas_g", lambda rows, gas, s=share: (gas.mean() + s * pd.to_numeric(rows["weeks"]) + 0.01 * np.arange(len(rows)) % 0.07).round(2))) for share in (0.02, 0.1, 1.0)),
    ("shelf stays", "season", numbers("shelf", "gas_g", lambda rows, gas: 6.5)),
    ("shelf collapses", "season", numbers("shelf", "gas_g", lambda rows, gas: (6.5 * 0.2 ** pd.to_numeric(rows["weeks"])).clip(lower=1e-6))),
    ("all dry at the first look", "colour-ways", every_piece("yes")),
    ("none ever dry", "colour-ways", every_piece("no")),
    ("dry within a minute", "colour-ways", table("touch_checks", lambda rows: rows.drop_duplicates(["run", "piece"]).assign(hours="0.01", dry="yes"))),
    ("one dry within a minute", "colour-ways", table("touch_checks", lambda rows: rows.assign(hours=rows["hours"].mask(rows.index == 0, "0.01"), dry=rows["dry"].mask(rows.index == 0, "yes"), piece=rows["piece"].mask(rows.index == 0, "99")))),
    ("looks in seconds", "colour-ways", numbers("touch_checks", "hours", lambda rows, hours: hours / 3600)),
    ("no touch checks", "colour-ways", only("runs", "weighings", "room_log")),
    ("runs alone", "colour-ways", only("runs")),
    ("no room log", "season", only("runs", "touch_checks", "shelf")),
    ("fizz alone", "cores", only("runs", "fizz_times")),
    ("no weight lost", "colour-ways", numbers("weighings", "mass_g", lambda rows, mass: 86.1)),
    ("every fizz alike", "colour-ways", numbers("fizz_times", "seconds", lambda rows, each: 100)),
    ("no fizz seen to its end", "colour-ways", table("fizz_times", lambda rows: rows.assign(done="no"))),
    ("every score alike", "colour-ways", numbers("crumble_scores", "score", lambda rows, each: 2)),
    ("nothing crumbles", "cores", numbers("tumbles", "after_g", lambda rows, each: rows["before_g"])),
    ("all is dust", "cores", numbers("tumbles", "after_g", lambda rows, each: 0.01)),
    ("one level", "colour-ways", table("runs", lambda rows: rows.assign(colour="dye"))),
    ("one day", "colour-ways", table("runs", lambda rows: rows.assign(day="1"))),
    ("constant air", "season", numbers("room_log", "rh_pct", lambda rows, each: 60)),
    ("saturated air", "season", numbers("room_log", "rh_pct", lambda rows, each: 100)),
]  # fmt: skip


def made(home: Path, name: str, demo: str, bend: Bend) -> Path:
    """The folder of a weird trial."""
    folder = home / re.sub(r"\W", "-", name)
    shutil.copytree(shipped.demo(demo), folder)
    bend(folder)
    return folder


def shown(folder: Path, notebook: str = "trial_report") -> page.PageContent:
    """What a notebook shows of a trial, its cells run in this process as its kernel would run them."""
    read = json.loads(shipped.notebook(notebook).read_text(encoding="utf-8"))
    names: dict[str, Any] = {}
    for cell in read["cells"]:
        if cell["cell_type"] != "code" or "lab-only" in cell["metadata"].get("tags", []):
            continue
        if "parameters" in cell["metadata"].get("tags", []):
            names["trial_folder"] = str(folder)
            continue
        tree = ast.parse("".join(cell["source"]))
        last = ast.Expression(tree.body.pop().value) if isinstance(tree.body[-1], ast.Expr) else None  # type: ignore[attr-defined]
        exec(compile(tree, "cell", "exec"), names)
        part = eval(compile(last, "cell", "eval"), names) if last is not None else None
        if isinstance(part, page.Part):
            cell["outputs"] = [{"data": data, "metadata": about} for data, about in part.bundles()]
    found = page.from_notebook(read["cells"])
    json.dumps(found.findings, allow_nan=False)
    return found
