"""Records of small files, kept without running a notebook, for tests of the ledger."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sound_trial import LOG, RUNS, TOML, TOUCH

from fizzlab import records

TABLES = {"trial.toml": TOML, "runs.csv": RUNS, "touch_checks.csv": TOUCH, "room_log.csv": LOG}


def write_tables(folder: Path) -> None:
    """The sound trial folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in TABLES.items():
        (folder / name).write_text(text)


def keep_record(folder: Path, *, title: str = "Two ways of colouring", **about: Any) -> Path:
    """Keep one more record of the trial in a folder, which is made when it is not there."""
    if not folder.exists():
        write_tables(folder)
    inputs = [folder / name for name in sorted(TABLES)]
    with records.making(folder / "records") as making:
        for name in ("figures", records.INPUTS):
            (making / name).mkdir()
        for path in inputs:
            (making / records.INPUTS / path.name).write_bytes(path.read_bytes())
        (making / "findings.json").write_text("[]\n")
        (making / "figures" / "one.svg").write_text("<svg/>")
        known: dict[str, Any] = {
            "trial": folder.name,
            "title": title,
            **records.signed("an invented maker"),
            "notebook": {"name": "trial_report", "sha256": "0" * 64},
            "parameters_sha256": "1" * 64,
            "inputs": records.fingerprints(folder, inputs),
            "lots": {},
            "deviations": [],
        }
        return records.keep(making, _page, **known | about)


def entry_of(record: str) -> records.Report:
    """What the ledger would say of an invented record, for its page."""
    trial, _, number = record.rpartition("-")
    about = {"record": record, "number": int(number), "trial": trial, "title": "T", "notebook": {}}
    nothing: dict[str, Any] = {"inputs": {}, "files": {}, "versions": {}, "parameters_sha256": "0" * 64}
    head: dict[str, Any] = {"format": 1, "entry": 1, "before": "0" * 64, "at": records.now()}
    return records.Report(kind="report", **head, **about, **nothing, **records.signed())


def _page(making: Path, stamp: records.Report) -> None:
    (making / "report.html").write_text(f"<p>{stamp.record} after {stamp.before}: {stamp.printed}</p>")
