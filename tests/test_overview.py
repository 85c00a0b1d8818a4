"""One page over all trials: the state of each, what every change did in each, and nothing that breaks out."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from fizzlab import records
from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.report import parts
from fizzlab.report.analysis import analyse
from fizzlab.report.overview import write_overview
from fizzlab.report.page import Findings
from fizzlab.report.parts.front import verdict
from fizzlab.trial.folder import load

SAID = "Dye fizzes longer &amp; louder."


def write(folder: Path, seed: int, month: int, *, ratio: float = 1.4, read: int = 12, more: str = "") -> Path:
    """An invented trial of how long dye fizzes against pearl, of which some batches were timed."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    toml = f'code = "t{seed}"\ntitle = "No. {seed} <i>of {month}</i>"\n'
    toml += '[question]\ntext = "Does dye fizz longer?"\nabout = ["fizz_s"]\n'
    toml += '[factors.colour]\nlevels = ["pearl", "dye"]\n' + more
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    runs = pd.DataFrame({"run": [f"R{i:02d}" for i in range(12)], "day": np.repeat([1, 2, 3, 4], 3)})
    runs["made_at"] = [f"2026-{month:02d}-{day:02d}T09:00" for day in runs["day"]]
    runs["colour"] = ["pearl", "dye"] * 6
    runs.to_csv(folder / "runs.csv", index=False)
    seconds = 100 * np.where(runs["colour"] == "dye", ratio, 1.0) * np.exp(0.06 * rng.normal(size=12))
    times = pd.DataFrame({"run": runs["run"], "piece": 1, "water_c": 38.0, "seconds": seconds.round(1)})
    if read:
        times[:read].assign(done="yes").to_csv(folder / "fizz_times.csv", index=False)
    return folder


def report(folder: Path) -> None:
    """A record as a report leaves it, without running the notebook."""
    trial = load(folder)
    about = {
        "trial": trial.settings.code,
        "title": trial.settings.title,
        "notebook": {"name": "trial_report", "sha256": "0" * 64},
        "parameters_sha256": "0" * 64,
        "inputs": records.fingerprints(trial.folder, trial.inputs),
        "batches": len(trial.rows("runs")),
    }

    def finish(making: Path, stamp: records.Report) -> None:
        said = f'<section class="verdict" aria-label="Verdict"><p><b>{SAID}</b></p></section>'
        (making / "report.html").write_text(said, encoding="utf-8")

    with records.making(folder / "records") as making:
        records.keep(making, finish, **about, **records.signed())


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("season") / "all & <b>"
    for seed, name in enumerate(("first", "second #2", "stale", "corrected"), start=1):
        report(write(home / name, seed, seed, ratio=1.4 + 0.05 * seed))
    table = home / "stale" / "fizz_times.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("38.0", "37.9", 1), encoding="utf-8")
    records.correct(home / "corrected" / "records", 1, reason="The scale was off.", by="Ann")
    for seed, (name, read) in enumerate((("planned", 0), ("half", 5), ("read", 12)), start=5):
        write(home / name, seed, seed, read=read)
    write(home / "broken", 8, 8)
    (home / "broken" / "runs.csv").write_text("run,day\nB01,\n", encoding="utf-8")
    return home


def rows(page: str) -> dict[str, str]:
    """The cells of each trial's row as text, by its code."""
    body = page.partition('<table class="trials">')[2].partition("</table>")[0]
    found = {}
    for row in re.findall("<tr>(.*?)</tr>", body)[1:]:
        code = re.findall("<small>(.*?)</small>", row)[0]
        found[code] = re.sub("<[^>]*>", " ", row.replace("\u00a0", " "))
    return found


def test_every_trial_has_a_row_with_its_state(season: Path) -> None:
    page = write_overview(season).read_text(encoding="utf-8")
    told = rows(page)
    assert list(told) == [f"t{i}" for i in range(1, 9)]
    for code, state in {
        "t1": "Reported on",
        "t3": "Stale: fizz_times.csv changed since. Run fizzlab report again.",
        "t4": "corrected",
        "t5": "Planned: no readings yet.",
        "t6": "Half read: 5 of 12 batches have all their readings.",
        "t7": "Read, not reported yet.",
        "t8": "To mend: runs.csv, row 1, column colour",
    }.items():
        assert state in told[code]
    assert "12 batches on 4 days, made 1 January 2026 to 4 January 2026" in told["t1"]
    assert "Correction: The scale was off." in told["t4"]
    assert all((SAID in row) == (code in ("t1", "t2", "t3", "t4")) for code, row in told.items())


def test_what_each_change_did_counts_reported_trials_alone(season: Path) -> None:
    page = write_overview(season).read_text(encoding="utf-8")
    below = page.partition("What each change did")[2]
    assert "3 trials together" in below
    assert "Colour, trial by trial" in below
    assert "dye instead of pearl" in below
    assert [name for name in ("t1", "t2", "t3", "t4", "t5") if f">{name}</td>" in below] == ["t1", "t2", "t4"]
    assert "No. 3" in page.partition("Left out below until reported (again):")[2].partition("</li>")[0]


def test_the_page_asks_nothing_and_shows_what_was_typed(season: Path) -> None:
    page = write_overview(season).read_text(encoding="utf-8")
    assert "default-src 'none'; style-src 'unsafe-inline'; img-src data:" in page
    assert "<script" not in page
    assert not re.search(r"(?:https?:)?//[a-z]", re.sub(r'base64,[^"]*|http://www.w3.org/[^"]*', "", page))
    assert "No. 2 &lt;i&gt;of 2&lt;/i&gt;" in page
    assert "All trials of all &amp; &lt;b&gt;" in page
    links = re.findall('href="([^"]*html)"', page)
    assert links[1] == "second%20%232/records/t2-1/report.html"
    assert len(links) == 4
    names = re.findall("<small>(.*?)</small>", page)
    assert len(names) == len(set(names))


def test_a_folder_that_cannot_have_one_is_refused(season: Path, tmp_path: Path) -> None:
    (tmp_path / "overview.html").write_text("my own", encoding="utf-8")
    for folder, why in (
        (season / "first", "it is no folder of trials"),
        (season / "first" / "records", "it belongs to the records"),
        (tmp_path / "nowhere", "there is no such folder"),
        (tmp_path, "it is no folder of trials"),
    ):
        with pytest.raises(BadInput, match=why):
            write_overview(folder)
    write(tmp_path / "a", 9, 9)
    result = CliRunner().invoke(main, ["overview", str(tmp_path)])
    assert result.exit_code == 2
    assert "a page of yours" in result.stderr
    assert (tmp_path / "overview.html").read_text(encoding="utf-8") == "my own"
    (tmp_path / "overview.html").unlink()
    assert CliRunner().invoke(main, ["overview", str(tmp_path)]).stdout.strip() == str(
        tmp_path / "overview.html"
    )


# the same comparison made again, in a report ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("ratio", "words"), [(1.45, ", both trials together."), (0.7, "the trials disagree")]
)
def test_a_repeated_trial_gets_one_answer_or_is_told_that_they_disagree(
    tmp_path: Path, ratio: float, words: str
) -> None:
    write(tmp_path / "before", 1, 1)
    now = write(tmp_path / "now", 2, 2, ratio=ratio, more='[earlier]\ntrials = ["../before"]\n')
    done = analyse(load(now))
    found = {
        f.topic: f for piece in parts.season(done) if isinstance(piece, Findings) for f in piece.findings
    }
    again = found["again.fizz_s.colour[dye]"]
    assert words in again.sentence
    assert again.sentence in verdict(done)
    own = done.fits["fizz_s"].effects[0]
    if ratio > 1:
        assert again.batches == 24
        assert again.high is not None
        assert again.low is not None
        assert again.high / again.low < own.conf_high / own.conf_low
