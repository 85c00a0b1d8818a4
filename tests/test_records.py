"""The ledger: what it says of a record, what `verify` finds, corrections, sign-off and search."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from kept_trial import keep_record

from fizzlab import records
from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.records.ledger import line_of, parse_line, sha256


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    """A trial folder with two records, made of small files."""
    folder = tmp_path / "quay"
    keep_record(folder)
    keep_record(folder)
    return folder


def _sentences(folder: Path, kind: str | None = None) -> list[str]:
    return [fault.sentence for fault in records.verify(folder).faults if kind in (None, fault.kind)]


def test_a_sound_ledger_is_told_with_what_cannot_be_known(quay: Path) -> None:
    result = CliRunner().invoke(main, ["records", "verify", str(quay)])
    assert result.exit_code == 0
    well, unknown = result.output.splitlines()
    assert records.read_ledger(quay / "records").last in well
    assert "cut off with records-head.txt, nor whether all was written anew" in unknown


def test_each_line_carries_the_hash_of_the_one_before(quay: Path) -> None:
    lines = (quay / "records" / "ledger.jsonl").read_bytes().splitlines()
    first, second = (json.loads(line) for line in lines)
    assert first["before"] == "0" * 64
    assert second["before"] == sha256(lines[0])
    assert (quay / "records" / "quay-2" / "entry.json").read_bytes() == lines[1] + b"\n"


def test_an_entry_reads_back_to_the_same_line(quay: Path) -> None:
    for entry in records.read_ledger(quay / "records").entries():
        assert parse_line(line_of(entry)) == (entry, "")


@pytest.mark.parametrize("name", ["report.html", "figures/one.svg", "inputs/runs.csv", "findings.json"])
def test_a_changed_file_of_a_record_is_named(quay: Path, name: str) -> None:
    path = quay / "records" / "quay-1" / name
    path.write_bytes(path.read_bytes() + b" ")
    assert _sentences(quay) == [f"Record quay-1 was altered: {name} was changed."]


def test_a_missing_a_strange_and_a_lost_thing_are_named(quay: Path) -> None:
    home = quay / "records"
    (home / "quay-1" / "figures" / "one.svg").unlink()
    (home / "quay-1" / "notes.txt").write_text("mine")
    (home / "quay-2").rename(quay / "away")
    (home / "shopping.txt").write_text("soda")
    assert _sentences(quay) == [
        "Record quay-1 was altered: figures/one.svg is missing.",
        "Record quay-1 was altered: notes.txt was put in later.",
        "Record quay-2 is missing: its folder is not there.",
        "records/shopping.txt is not part of any record.",
    ]
    result = CliRunner().invoke(main, ["records", "verify", str(quay)])
    assert result.exit_code == 1
    assert "Record quay-2 is missing" in result.output


def test_what_programs_leave_that_only_looked_is_no_fault(quay: Path) -> None:
    left = quay / "records" / "quay-1" / ".ipynb_checkpoints"
    left.mkdir()
    (left / "report-checkpoint.ipynb").write_text("{}")
    (quay / "records" / ".DS_Store").write_bytes(b"")
    assert _sentences(quay) == []


def test_changed_readings_are_told_apart_from_a_changed_record(quay: Path) -> None:
    runs = quay / "runs.csv"
    runs.write_text(runs.read_text().replace("dye", "lake") + "E,3,2026-01-07T09:00,pearl,0.6,\n")
    (quay / "weighings.csv").write_text("run,piece,hours,mass_g\n")
    found = records.verify(quay).faults
    assert {fault.kind for fault in found} == {"readings"}
    assert [fault.sentence for fault in found] == [
        "Readings changed since record quay-2: runs.csv (row 3: “B, 1, 2026-01-05T10:00, dye, 1.2, a wet, "
        "grey day”, now “B, 1, 2026-01-05T10:00, lake, 1.2, a wet, grey day”; row 5: “D, 2, "
        "2026-01-06T10:00, dye, 0.6”, now “D, 2, 2026-01-06T10:00, lake, 0.6”; row 6: “E, 3, "
        "2026-01-07T09:00, pearl, 0.6” is new).",
        "Readings changed since record quay-2: weighings.csv is new.",
    ]


def test_a_changed_key_and_a_lost_table_are_named(quay: Path) -> None:
    toml = quay / "trial.toml"
    toml.write_text(toml.read_text().replace("seed = 7", "seed = 8"))
    (quay / "runs.csv").unlink()
    assert _sentences(quay, "readings") == [
        "Readings changed since record quay-2: runs.csv is no longer there.",
        "Readings changed since record quay-2: trial.toml (line 4: “seed = 7”, now “seed = 8”).",
    ]


def test_a_changed_line_breaks_the_chain_after_it(quay: Path) -> None:
    path = quay / "records" / "ledger.jsonl"
    path.write_bytes(path.read_bytes().replace(b"Two ways", b"Ten ways", 1))
    assert _sentences(quay) == [
        "The chain is broken at line 2 of ledger.jsonl: line 1 was changed after it was written.",
        "Record quay-1 was altered: entry.json and line 1 of ledger.jsonl differ, so one of them was "
        "changed.",
    ]


def test_a_changed_last_line_shows_in_the_records_own_copy(quay: Path) -> None:
    path = quay / "records" / "ledger.jsonl"
    first, second = path.read_bytes().splitlines()
    path.write_bytes(first + b"\n" + second.replace(b"Two ways", b"Ten ways") + b"\n")
    assert _sentences(quay, "record") == [
        "Record quay-2 was altered: entry.json and line 2 of ledger.jsonl differ, so one of them was changed."
    ]


def test_a_taken_out_a_cut_and_a_damaged_line_are_named(quay: Path) -> None:
    path = quay / "records" / "ledger.jsonl"
    first, second = path.read_bytes().splitlines()
    path.write_bytes(second + b"\n")
    assert "one or more lines before it were taken out" in _sentences(quay)[0]
    assert any("Record quay-1 has no line in ledger.jsonl" in said for said in _sentences(quay))
    path.write_bytes(first + b"\n" + second[:200])
    assert _sentences(quay)[:2] == [
        "Line 2 of ledger.jsonl: it is damaged and cannot be read.",
        "Line 2 of ledger.jsonl: its end is missing.",
    ]
    path.write_bytes(first + b"\n\xff\x00\n" + second + b"\n")
    assert _sentences(quay)[:2] == [
        "Line 2 of ledger.jsonl: it is damaged and cannot be read.",
        "The chain is broken at line 3 of ledger.jsonl: it follows line 1, so what stands between "
        "was put in later.",
    ]


def test_a_hash_kept_elsewhere_shows_a_ledger_written_anew(quay: Path, tmp_path: Path) -> None:
    noted = records.read_ledger(quay / "records").last
    assert records.verify(quay, known=noted[:16]).faults == ()
    keep_record(quay)
    assert records.verify(quay, known=noted).faults == ()
    anew = tmp_path / "anew" / "quay"
    keep_record(anew, title="Another story")
    keep_record(anew)
    assert "that you kept" in records.verify(anew, known=noted).faults[0].sentence
    with pytest.raises(BadInput, match="is not a hash"):
        records.verify(quay, known="abc")


def test_numbers_are_not_used_again(quay: Path) -> None:
    (quay / "records" / "quay-2").rename(quay / "away")
    assert keep_record(quay).name == "quay-3"


def _run(*arguments: object) -> str:
    result = CliRunner().invoke(main, ["records", *map(str, arguments)])
    assert result.exit_code == 0, result.output
    return result.output


def test_corrections_and_sign_offs_are_entries_and_touch_no_record(quay: Path) -> None:
    record = quay / "records" / "quay-1"
    before = {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    _run("sign", quay, 1, "--checked-by", "Bo", "--date", "2026-01-09")
    reason = "the scale\nstood on a slope"
    _run("correct", quay, 1, "--reason", reason, "--by", "Ann", "--says", "read all masses 2 g lower")
    assert before == {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    assert _sentences(quay) == []
    listed = _run("list", quay).splitlines()
    assert listed[0].split() == ["trial", "no.", "date", "title", "made", "by", "checked", "by", "state"]
    assert listed[1].endswith("Bo          checked, corrected since")
    assert listed[2].endswith("–           not checked")
    shown = _run("show", quay, 1)
    assert "Checked by  Bo, 2026-01-09" in shown
    assert "Ann: the scale stood on a slope. It should read: read all masses 2 g lower" in shown


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["sign", "QUAY", "3", "--checked-by", "Bo"], "there is no record 3. The ledger holds: 1, 2."),
        (["sign", "QUAY", "1", "--checked-by", " "], "option --checked-by: it is empty."),
        (["sign", "QUAY", "1", "--checked-by", "Bo", "--date", "9 Jan"], "“9 Jan” is not a date."),
        (["correct", "QUAY", "1", "--reason", "", "--by", ""], "option --reason: it is empty."),
        (["show", "QUAY", "9"], "there is no record 9."),
        (["show", "QUAY", "quay-1"], "'quay-1' is not a valid integer"),
        (["verify", "nowhere"], "there is no such folder."),
        (["list", "nowhere"], "there is no such folder."),
        (["find", "QUAY"], "it has nothing to look for."),
    ],
)
def test_a_wrong_wish_is_one_sentence_and_writes_nothing(quay: Path, arguments: list[str], says: str) -> None:
    before = (quay / "records" / "ledger.jsonl").read_bytes()
    done = CliRunner().invoke(main, ["records", *(word.replace("QUAY", str(quay)) for word in arguments)])
    assert done.exit_code == 2
    assert says in done.output
    assert (quay / "records" / "ledger.jsonl").read_bytes() == before


def test_records_are_found_by_words_and_by_lot(tmp_path: Path) -> None:
    late = [records.DeviationEntry(run="B", what="pressed late", why="the mould was wet")]
    keep_record(tmp_path / "quay", lots={"citric acid": ["L2391", "L2402"]}, deviations=late)
    keep_record(tmp_path / "pier", title="Gum against starch", lots={"soda": ["L23"]})
    records.correct(tmp_path / "pier" / "records", 1, reason="the stopwatch was slow", by="Ann")

    def found(*words: str, lot: str = "") -> list[str]:
        return [hit.summary.report.record for hit in records.find(tmp_path, words, lot=lot)]

    assert found("GUM") == ["pier-1"]
    assert found("stopwatch") == ["pier-1"]
    assert found("mould", "late") == ["quay-1"]
    assert found("mould", "gum") == []
    assert found(lot="l2391") == ["quay-1"]
    assert found(lot="L239") == []
    assert found("stopwatch", lot="L2391") == []
    assert "lot of citric acid: L2391" in _run("find", tmp_path, "--lot", "L2391")
    nothing = CliRunner().invoke(main, ["records", "find", str(tmp_path), "basalt"])
    assert nothing.exit_code == 1
    assert "No record was found." in nothing.output


def test_signs_that_command_a_terminal_are_not_printed(tmp_path: Path) -> None:
    keep_record(tmp_path / "quay", title="\x1b[31mred\x07 title")
    assert "\x1b" not in _run("list", tmp_path / "quay") + _run("show", tmp_path / "quay", 1)


def test_numbers_go_on_when_the_trial_gets_another_code(quay: Path) -> None:
    assert keep_record(quay, trial="pier").name == "pier-3"
    assert _sentences(quay) == []


def test_a_damaged_ledger_stops_no_report_and_stays_damaged(quay: Path) -> None:
    path = quay / "records" / "ledger.jsonl"
    first, second = path.read_bytes().splitlines()
    path.write_bytes(first + b"\n" + second[:100])
    assert keep_record(quay).name == "quay-3"
    assert path.read_bytes().startswith(first + b"\n" + second[:100] + b"\n")
    said = _sentences(quay)
    assert "Line 2 of ledger.jsonl: it is damaged and cannot be read." in said
    assert not [sentence for sentence in said if "quay-3" in sentence]


def test_a_folder_of_trials_is_verified_at_once(tmp_path: Path) -> None:
    for name in ("pier", "quay"):
        keep_record(tmp_path / name)
    (tmp_path / "pier" / "records" / "pier-1" / "report.html").unlink()
    result = CliRunner().invoke(main, ["records", "verify", str(tmp_path)])
    assert result.exit_code == 1
    assert f"{tmp_path / 'pier'}: Record pier-1 was altered: report.html is missing." in result.output
    assert f"{tmp_path / 'quay'}: All is well: 1 record, 1 entry, last hash" in result.output


@pytest.mark.parametrize(
    "line",
    [
        b'{"format":2}',
        b"[]",
        b"null",
        b"",
        b"[" * 100_000,
        b'{"kind":"plan","by":"\\ud800"}',
        b'{"entry":' + b"9" * 5000 + b"}",
    ],
    ids=["newer", "list", "null", "empty", "deep", "surrogate", "huge"],
)
def test_a_line_that_is_no_entry_is_a_sentence(quay: Path, line: bytes) -> None:
    path = quay / "records" / "ledger.jsonl"
    path.write_bytes(path.read_bytes() + line + b"\n")
    assert [said for said in _sentences(quay) if said.startswith("Line 3 of ledger.jsonl: it ")]
    assert CliRunner().invoke(main, ["records", "list", str(quay)]).exit_code == 0


@pytest.mark.slow
@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
)
@given(data=st.data())
def test_any_changed_byte_of_ledger_or_record_is_noticed_without_a_traceback(
    quay: Path, data: st.DataObject
) -> None:
    home = quay / "records"
    name = data.draw(
        st.sampled_from(
            ["ledger.jsonl", "quay-1/entry.json", "quay-2/inputs/runs.csv", "quay-2/findings.json"]
        )
    )
    sound = (home / name).read_bytes()
    place = data.draw(st.integers(0, len(sound) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda value: value != sound[place]))
    try:
        (home / name).write_bytes(sound[:place] + bytes([byte]) + sound[place + 1 :])
        assert records.verify(quay).faults
        for command in (["list", str(quay)], ["find", str(quay), "colour"], ["show", str(quay), "2"]):
            result = CliRunner().invoke(main, ["records", *command])
            assert result.exit_code in (0, 1, 2)
            assert result.exception is None or isinstance(result.exception, SystemExit)
    finally:
        (home / name).write_bytes(sound)
