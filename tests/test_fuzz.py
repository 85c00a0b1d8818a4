"""Spoilt files: trials and exports end in a checked trial or in sentences, and no file is touched.

Most of the cases are sound files with a few bytes changed (`bad_bytes.py`), seeded by their number: 55 quick
ones, 10,000 slow ones. The rest are tables whose cells hypothesis makes up.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from bad_bytes import Case, fault_of_export, fault_of_trial, spoilt_export, spoilt_trial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sound_trial import RUNS, TOML

from fizzlab.measures import TABLES

#: 9,000 trials and 1,000 exports in parts, so that the work is shared out evenly.
PARTS, TRIALS, EXPORTS = 10, 900, 100


def _faults(trials: range, exports: range, folder: Path) -> dict[str, str]:
    cases = [spoilt_trial(number) for number in trials]
    faults = {f"trial {case.number}, {case.spoilt}": fault_of_trial(case, folder) for case in cases}
    faults |= {f"export {number}": fault_of_export(spoilt_export(number)) for number in exports}
    return {name: fault for name, fault in faults.items() if fault}


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
def test_spoilt_files_end_in_a_trial_or_in_sentences(part: int, tmp_path: Path) -> None:
    trials = range(part * TRIALS, (part + 1) * TRIALS)
    assert _faults(trials, range(part * EXPORTS, (part + 1) * EXPORTS), tmp_path) == {}


def test_some_spoilt_files_end_in_a_trial_or_in_sentences(tmp_path: Path) -> None:
    assert _faults(range(10_000, 10_040), range(10_000, 10_015), tmp_path) == {}


#: What may stand in a cell: any text, and what is nearly right.
CELL = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["A", "B", "1", "yes", "no", "", "0", "-1", "1e9", "nan", "2026-01-05T09:00"]),
    st.floats().map(str),
    st.integers().map(str),
    st.datetimes().map(lambda at: at.isoformat(" ")),
)

#: Names of columns: mostly those of the table, some twice, missing or unknown.
NAMES = ["leave_out", "blind", "checked_at", "run", "colour", "note", "x", ""]
EXTRA = st.lists(st.sampled_from(NAMES), max_size=2)


@pytest.mark.parametrize("known", [True, False], ids=["its columns", "any columns"])
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_made_up_tables_end_in_a_trial_or_in_sentences(
    known: bool, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    name = data.draw(st.sampled_from(sorted(TABLES)))
    header = [column.name for column in TABLES[name].columns]
    if name == "runs":
        header += ["colour", "binder_g"]
    if not known:
        header = data.draw(st.permutations(header))[1:] + data.draw(EXTRA)
    rows = data.draw(st.lists(st.lists(CELL, min_size=len(header), max_size=len(header)), max_size=4))
    out = io.StringIO()
    csv.writer(out).writerows([header, *rows])
    files = {"trial.toml": TOML.encode(), "runs.csv": RUNS.encode()}
    files[f"{name}.csv"] = out.getvalue().encode("utf-8", "surrogatepass")
    folder = tmp_path_factory.getbasetemp() / f"made-up-{known}"
    folder.mkdir(exist_ok=True)
    assert fault_of_trial(Case(0, f"{name}.csv", files), folder) == ""


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, "seed = " + "9" * 5000, "[" + "a." * 3000 + "a]"])
def test_settings_without_end_are_said(text: str, tmp_path: Path) -> None:
    files = {"trial.toml": f"{TOML}\n{text}\n".encode(), "runs.csv": RUNS.encode()}
    assert fault_of_trial(Case(0, "trial.toml", files), tmp_path) == ""
