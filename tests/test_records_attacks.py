"""What somebody could do to the records without it being noticed, and is: cut, forged, linked, backdated.

Each is done to a folder that verifies, and must be named; nothing of it is taken over by the next entry.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from kept_trial import keep_record

from fizzlab import records
from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.records.ledger import canonical, sha256
from fizzlab.trial.placing import changing


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A trial folder with two records, made of small files."""
    folder = tmp_path_factory.mktemp("made") / "quay"
    keep_record(folder)
    keep_record(folder)
    assert records.verify(folder).faults == ()
    return folder


@pytest.fixture
def quay(made: Path, tmp_path: Path) -> Path:
    """A copy of it to harm."""
    return Path(shutil.copytree(made, tmp_path / "quay"))


def _faults(folder: Path) -> list[str]:
    return [fault.sentence for fault in records.verify(folder).faults]


def _ledger(folder: Path) -> Path:
    return folder / "records" / "ledger.jsonl"


def _cut(folder: Path) -> None:
    """Take out the last line, and the folder of its record."""
    shutil.rmtree(folder / "records" / "quay-2")
    _ledger(folder).write_bytes(_ledger(folder).read_bytes().splitlines(keepends=True)[0])


def _rewrite(folder: Path, change: Callable[[list[dict[str, object]]], None]) -> None:
    """Write the whole chain anew, with the records' own lines, after a change."""
    entries = [json.loads(line) for line in _ledger(folder).read_bytes().splitlines()]
    change(entries)
    before, data = "0" * 64, b""
    for entry in entries:
        line = canonical(entry | {"before": before})
        (folder / "records" / str(entry["record"]) / "entry.json").write_bytes(line + b"\n")
        before, data = sha256(line), data + line + b"\n"
    _ledger(folder).write_bytes(data)


CUT = (
    "records-head.txt tells of a line that ledger.jsonl does not hold: "
    "lines at its end were cut off, or written anew."
)


def test_a_last_line_cut_with_its_folder_shows_and_still_does_after_the_next_entry(quay: Path) -> None:
    _cut(quay)
    (said,) = _faults(quay)
    assert said == CUT
    records.sign(quay / "records", 1, checked_by="Bo")
    keep_record(quay)
    assert CUT in _faults(quay)[0]


def test_a_ledger_that_is_gone_or_a_head_that_is_gone_shows(quay: Path) -> None:
    head = quay / "records-head.txt"
    sound = head.read_bytes()
    head.unlink()
    assert _faults(quay) == ["records-head.txt is missing: a cut at the end of the ledger would not show."]
    head.write_bytes(sound)
    shutil.rmtree(quay / "records")
    keep_record(quay)
    assert CUT in _faults(quay)[0]


def test_a_ledger_written_anew_shows(quay: Path) -> None:
    _rewrite(quay, lambda entries: entries[0].update(title="Ten ways"))
    assert _faults(quay) == [CUT]


def test_records_that_were_put_back_from_an_older_copy_show(quay: Path) -> None:
    shutil.copytree(quay / "records", quay.parent / "older")
    records.correct(quay / "records", 2, reason="the scale stood on a slope", by="Ann")
    shutil.rmtree(quay / "records")
    shutil.copytree(quay.parent / "older", quay / "records")
    assert _faults(quay) == [CUT]


def _forge(quay: Path) -> Path:
    """A folder like a record, which follows the last line and whose files are those that it names."""
    record = quay / "records" / "quay-3"
    shutil.copytree(quay / "records" / "quay-2", record)
    (record / "findings.json").write_text('[{"sentence": "Lake dries twice as fast."}]\n')
    entry = json.loads((record / "entry.json").read_bytes())
    entry |= {
        "record": "quay-3",
        "number": 3,
        "entry": 3,
        "before": records.read_ledger(quay / "records").last,
    }
    entry["files"]["findings.json"] = records.fingerprint(record / "findings.json")
    (record / "entry.json").write_bytes(canonical(entry) + b"\n")
    return record


def test_a_forged_folder_is_entered_by_no_other_command_than_adopt(quay: Path) -> None:
    _forge(quay)
    what = "it is whole; if you know where it comes from, enter it with fizzlab records adopt"
    assert _faults(quay) == [f"Record quay-3 has no line in ledger.jsonl: {what}."]
    records.sign(quay / "records", 1, checked_by="Bo")
    keep_record(quay)
    with changing(quay) as room:
        records.enter_plan(
            quay / "records", room, trial="q", title="t", by="", plan="compare", seed=1, runs=[]
        )
    assert [each.record for each in records.read_ledger(quay / "records").reports()] == [
        *("quay-1", "quay-2", "quay-4")
    ]
    assert _faults(quay) == [f"Record quay-3 has no line in ledger.jsonl: {what}."]


def test_adopting_is_an_act_of_its_own_that_the_ledger_keeps(quay: Path) -> None:
    _forge(quay)
    done = CliRunner().invoke(main, ["records", "adopt", str(quay), "--reason", "killed by a power cut"])
    assert (done.exit_code, done.output) == (0, "Adopted: Record quay-3 had no line.\n")
    assert _faults(quay) == []
    entry = json.loads(_ledger(quay).read_bytes().splitlines()[-1])
    assert (entry["kind"], entry["reason"]) == ("adoption", "killed by a power cut")
    assert records.one(quay, 3).report.record == "quay-3"
    shown = CliRunner().invoke(main, ["records", "show", str(quay), "3"]).output
    assert f"Entry {entry['entry']} of the ledger" in shown
    told = CliRunner().invoke(main, ["records", "verify", str(quay)])
    assert "Record quay-3 had no line. Adopted by nobody named: killed by a power cut" in told.output
    (quay / "records" / "quay-3" / "report.html").write_text("another")
    assert _faults(quay) == ["Record quay-3 was altered: report.html was changed."]
    with pytest.raises(BadInput, match="nothing that could be adopted"):
        records.adopt(quay / "records", reason="again")
    with pytest.raises(BadInput, match="it is empty"):
        records.adopt(quay / "records", reason=" ")


def test_a_folder_under_a_number_that_is_taken_is_not_adopted(quay: Path) -> None:
    record = _forge(quay)
    entry = json.loads((record / "entry.json").read_bytes()) | {"record": "pier-2", "number": 2}
    (record / "entry.json").write_bytes(canonical(entry) + b"\n")
    record.rename(record.with_name("pier-2"))
    assert "or its number is another record's" in _faults(quay)[0]
    with pytest.raises(BadInput):
        records.adopt(quay / "records", reason="it is mine")


def test_what_was_adopted_is_what_was_wrong_then_and_no_more(quay: Path) -> None:
    first, second = _ledger(quay).read_bytes().splitlines()
    _ledger(quay).write_bytes(first[:200] + b"\n" + second + b"\n")
    records.adopt(quay / "records", reason="the stick was bad", by="Ann")
    assert records.verify(quay).ledger.faults() == []
    _ledger(quay).write_bytes(_ledger(quay).read_bytes().replace(first[:200], first[:150]))
    assert "Line 1 of ledger.jsonl: it is damaged and cannot be read." in _faults(quay)


def test_a_lost_ledger_is_made_again_by_adopting_and_says_so(quay: Path) -> None:
    _ledger(quay).unlink()
    assert len(_faults(quay)) == 3
    adopted = records.adopt(quay / "records", reason="the ledger was lost")
    assert [each.record for each in adopted.records] == ["quay-1", "quay-2"]
    assert CUT in adopted.accepts[0]
    assert _faults(quay) == []
    assert keep_record(quay).name == "quay-3"
    assert _faults(quay) == []


@pytest.mark.skipif(os.name == "nt", reason="making a link needs a right there that few users have")
@pytest.mark.parametrize(
    "name", ["ledger.jsonl", "quay-2/report.html", "quay-2/inputs/runs.csv", "quay-2/entry.json", "quay-2"]
)
def test_a_link_in_place_of_what_it_shows_is_named(quay: Path, name: str) -> None:
    path = quay / "records" / name
    path.rename(quay.parent / "away")
    path.symlink_to(quay.parent / "away")
    assert f"records/{name} is a link, a pipe or the like: what it shows can change elsewhere." in _faults(
        quay
    )
    if name.startswith("quay-2/"):
        assert any(said.startswith("Record quay-2 was altered") for said in _faults(quay))


@pytest.mark.skipif(os.name == "nt", reason="making a link needs a right there that few users have")
def test_records_that_are_a_link_themselves_are_named(quay: Path) -> None:
    (quay / "records").rename(quay.parent / "away")
    (quay / "records").symlink_to(quay.parent / "away")
    assert _faults(quay) == ["records is a link, a pipe or the like: what it shows can change elsewhere."]


def test_a_hard_link_is_told_and_what_is_written_through_it_is_a_fault(quay: Path) -> None:
    assert not any("hard link" in said for said in records.verify(quay).notes)
    for name in ("findings.json", "report.html"):
        os.link(quay / "records" / "quay-2" / name, quay.parent / name)
    told = "records/quay-2/findings.json, one of 2 such files, is a hard link, as some backups make: "
    assert [said for said in records.verify(quay).notes if said.startswith(told)]
    assert not any("hard link" in said for said in records.verify(quay / "records" / "quay-1").notes)
    assert _faults(quay) == []
    (quay.parent / "report.html").write_text("another")
    assert _faults(quay) == ["Record quay-2 was altered: report.html was changed."]


@pytest.mark.skipif(os.name == "nt", reason="there are no such pipes")
@pytest.mark.parametrize(
    "name", ["quay-2/report.html", "quay-2/entry.json", "stopped/quay-20260107-090000.ipynb"]
)
def test_a_pipe_is_named_and_not_waited_on(quay: Path, name: str) -> None:
    path = quay / "records" / name
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    assert f"records/{name} is a link, a pipe or the like: what it shows can change elsewhere." in _faults(
        quay
    )


def test_times_that_run_backwards_or_are_still_to_come_show(quay: Path) -> None:
    now = dt.datetime.now().astimezone()

    def dated(entries: list[dict[str, object]], first: dt.timedelta, second: dt.timedelta) -> None:
        for entry, ago in zip(entries, (first, second), strict=True):
            entry["at"] = (now - ago).isoformat(timespec="seconds")

    day, minute = dt.timedelta(days=1), dt.timedelta(minutes=1)
    for ago, says in {
        (day, 2 * day): "before the line that it follows.",
        (day, -day): "which is still to come by this computer's clock.",
        (day, day + minute): "",  # two computers may differ
    }.items():
        _rewrite(quay, lambda entries, ago=ago: dated(entries, *ago))  # type: ignore[misc]
        found = records.read_ledger(quay / "records").faults()
        assert len(found) == bool(says)
        assert not says or (
            found[0].startswith("Line 2 of ledger.jsonl: it is dated") and found[0].endswith(says)
        )


def test_a_time_that_is_none_is_a_fault(quay: Path) -> None:
    _rewrite(quay, lambda entries: entries[1].update(at="2026-02-30T10:00:00+00:00"))
    assert "Line 2 of ledger.jsonl: it is no entry of a ledger (see “report.at”)." in _faults(quay)


def test_a_clock_that_was_wrong_once_can_be_adopted(quay: Path) -> None:
    _rewrite(quay, lambda entries: entries[0].update(at="2099-01-01T00:00:00+00:00"))
    assert len(_faults(quay)) == 2
    adopted = records.adopt(quay / "records", reason="the clock stood at 2099", by="Ann")
    assert "Line 2 of ledger.jsonl: it is dated" in adopted.accepts[0]
    assert keep_record(quay).name == "quay-3"
    assert _faults(quay) == []


def test_files_among_the_stopped_notebooks_show(quay: Path) -> None:
    stopped = quay / "records" / "stopped"
    stopped.mkdir()
    (stopped / "quay-20260107-090000.ipynb").write_text("{}")
    (stopped / "shopping.txt").write_text("soda")
    assert _faults(quay) == ["records/stopped/shopping.txt is not part of any record."]
    (stopped / "shopping.txt").unlink()
    assert _faults(quay) == []
    assert (
        "stopped holds 1 file of reports that failed; nothing vouches for that." in records.verify(quay).notes
    )


def test_an_edited_journal_of_the_bench_shows_and_a_longer_one_does_not(quay: Path) -> None:
    log = quay / "bench-log.jsonl"
    log.write_text('{"did":"open"}\n{"did":"log","id":1}\n{"did":"lo')  # a line that is being written
    keep_record(quay, journal=records.bench_log(quay))
    log.write_text('{"did":"open"}\n{"did":"log","id":1}\n{"did":"log","id":2}\n')
    assert _faults(quay) == []
    said = "Readings changed since record quay-3: bench-log.jsonl, of which lines 1 to 2 should never change."
    for other in ('{"did":"open"}\n{"did":"log","id":9}\n', '{"did":"open"}\n', None):
        log.unlink() if other is None else log.write_text(other)
        assert _faults(quay) == [said]


def test_a_line_of_an_older_fizzlab_that_says_less_is_still_read(quay: Path) -> None:
    def older(entries: list[dict[str, object]]) -> None:
        for entry in entries:
            del entry["lots"], entry["deviations"]

    _rewrite(quay, older)
    assert records.read_ledger(quay / "records").faults() == []
    assert [each.lots for each in records.read_ledger(quay / "records").reports()] == [{}, {}]


def test_the_hash_that_a_page_prints_is_known(quay: Path) -> None:
    page = (quay / "records" / "quay-2" / "report.html").read_text()
    printed = page.rpartition(" ")[2].removesuffix("</p>")
    assert len(printed) == 64
    assert records.verify(quay, known=printed).faults == ()
    _rewrite(quay, lambda entries: entries[1].update(title="Ten ways"))
    assert "that you kept" in records.verify(quay, known=printed).faults[0].sentence
