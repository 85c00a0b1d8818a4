"""Many reports: which trials, what becomes of each, and the copy of a record at another address."""

from __future__ import annotations

import functools
import pickle
import sys
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from fizzlab.cli.main import main
from fizzlab.errors import BadInput, CannotAnswer, FizzlabError, Problem
from fizzlab.records.remote import Address, NotSent
from fizzlab.report import run as report
from fizzlab.report.many import Outcome, trials_in, write_reports
from fizzlab.report.run import NotebookStopped


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand-in for making a report: a record folder with a page, or the trouble that the name asks for."""

    @functools.wraps(report.write_report)  # its signature too, against which options are checked
    def write_report(folder: str | Path, **options: Any) -> Path:
        folder = Path(folder)
        if folder.name == "bad":
            raise BadInput([Problem("runs.csv", "it is empty.", "Add rows.", row=row) for row in (2, 3)])
        if folder.name == "full":
            raise OSError(28, "No space left on device", "records")
        if folder.name == "odd":
            raise KeyError("colour")
        record = folder / "records" / f"{folder.name}-1"
        (record / "figures").mkdir(parents=True)
        (record / "figures" / "dry.png").write_bytes(b"picture")
        (record / "findings.json").write_text("[]")
        (record / "report.html").write_text(f"page of {folder.name}")
        return record / "report.html"

    monkeypatch.setattr(report, "write_report", write_report)


def test_troubles_survive_the_way_between_processes() -> None:
    bad = BadInput([Problem("runs.csv", "it is empty.", "Add rows.", row=2), Problem("a", "b.", "c.")])
    stopped = NotebookStopped("It stopped.", Path("stopped.ipynb"))
    unknown = CannotAnswer("Every piece was wet.", "Keep checking.")
    sent = NotSent("no")
    for error in (bad, stopped, unknown, sent, FizzlabError("x"), OSError(28, "No space", "records")):
        outcome = Outcome(Path("quay"), trouble=error)
        back = pickle.loads(pickle.dumps(outcome)).trouble
        assert type(back) is type(error)
        assert str(back) == str(error)
        assert vars(back) == vars(error)
    assert pickle.loads(pickle.dumps(bad)).problems == bad.problems
    assert pickle.loads(pickle.dumps(stopped)).notebook == stopped.notebook
    assert pickle.loads(pickle.dumps(unknown)).would_help == "Keep checking."


def test_which_folders_are_trials(tmp_path: Path) -> None:
    for name in ("b", "a", "photos", ".hidden", "c", "lonely"):
        (tmp_path / "season" / name).mkdir(parents=True)
    for name in ("b", "a"):
        (tmp_path / "season" / name / "trial.toml").touch()
    (tmp_path / "season" / "c" / "runs.csv").touch()
    season = tmp_path / "season"
    trials, passed_over = trials_in([season / "b", season])
    assert trials == [season / "b", season / "a", season / "c"]
    assert passed_over == [season / "lonely", season / "photos"]
    # what is no season is left for the door to speak about
    assert trials_in([season / "lonely", tmp_path / "nowhere"])[0] == [
        season / "lonely",
        tmp_path / "nowhere",
    ]
    (season / "runs.csv").touch()
    assert trials_in([season])[0] == [season]


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("pool", [None, lambda: ThreadPoolExecutor(3)])
def test_each_trial_has_its_outcome_in_the_order_given(
    tmp_path: Path, pool: Callable[[], Executor] | None
) -> None:
    names = ["odd", "good", "bad", "full", "better"]
    seen: list[Outcome] = []
    executor = pool() if pool else None
    outcomes = write_reports([tmp_path / name for name in names], executor, jobs=1, done=seen.append)
    assert [outcome.folder.name for outcome in outcomes] == names
    assert sorted(outcome.folder.name for outcome in seen) == sorted(names)
    odd, good, bad, full, better = outcomes
    assert "KeyError: 'colour'" in str(odd.trouble)
    assert "write_report" in odd.trouble.__notes__[0]  # type: ignore[union-attr]
    assert isinstance(bad.trouble, BadInput)
    assert len(bad.trouble.problems) == 2
    assert isinstance(full.trouble, OSError)
    for done in (good, better):
        assert done.trouble is None
        assert done.page is not None
        assert done.page.read_text() == f"page of {done.folder.name}"


@pytest.mark.usefixtures("quick")
def test_the_command_says_each_path_and_each_trouble(tmp_path: Path) -> None:
    for name in ("good", "bad", "full", "better", "photos"):
        (tmp_path / name).mkdir()
        if name != "photos":
            (tmp_path / name / "trial.toml").touch()
    result = CliRunner().invoke(main, ["report", str(tmp_path), "--jobs", "1"])
    assert result.exit_code == 2
    assert result.stdout.splitlines() == [
        str(tmp_path / name / "records" / f"{name}-1" / "report.html") for name in ("better", "good")
    ]
    for sentence in (
        f"{tmp_path / 'photos'}: holds no trial; passed over.",
        f"{tmp_path / 'bad'}:\nruns.csv, row 2: it is empty. Add rows.\nruns.csv, row 3: it is empty.",
        f"{tmp_path / 'full'}:\nThe computer refused: No space left on device (records). Nothing was kept.",
        "2 of 4 reports written; 2 with trouble.",
        f"Overview: {tmp_path / 'overview.html'}",
    ):
        assert sentence in result.stderr
    both = CliRunner().invoke(main, ["report", str(tmp_path / "c"), str(tmp_path / "d"), "--jobs", "1"])
    assert both.exit_code == 0
    assert both.stderr.startswith("1 of 2: ")


@pytest.mark.usefixtures("quick")
def test_wrong_calls_make_no_report(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="colour"):
        write_reports([tmp_path / "good"], colour="blue")
    with pytest.raises(ValueError, match="at least 1"):
        write_reports([tmp_path / "good"], jobs=0)
    with pytest.raises(NotSent, match="cannot be used"):
        write_reports([tmp_path / "good"], jobs=1, to="pigeon://loft")
    assert list(tmp_path.iterdir()) == []
    assert write_reports([]) == []


def test_a_killed_worker_is_said() -> None:
    class Broken(Executor):
        def submit(self, *args: Any, **kwargs: Any) -> Future[Any]:
            future: Future[Any] = Future()
            future.set_exception(BrokenExecutor("a process was killed"))
            return future

    (outcome,) = write_reports(["quay"], Broken())
    assert "the report of quay was ended, often for want of memory" in str(outcome.trouble)


class TestCopies:
    """A record at another address."""

    @pytest.fixture
    def fsspec(self) -> Any:
        return pytest.importorskip("fsspec", reason="fsspec, the extra 'remote', is not installed")

    @pytest.mark.usefixtures("quick")
    def test_the_whole_record_lies_there(self, fsspec: Any, tmp_path: Path) -> None:
        there = tmp_path / "stick" / "records"
        for address in ("memory://shelf/records", f"file://{there}", str(there / "plain")):
            folder = tmp_path / f"quay-{address.count('e')}"
            (outcome,) = write_reports([folder], jobs=1, to=address)
            assert outcome.trouble is None
            assert outcome.page is not None
            record = outcome.page.parent
            assert outcome.sent == f"{address}/{record.name}"
            files = [path.relative_to(record).as_posix() for path in record.rglob("*") if path.is_file()]
            assert len(files) == 3
            for name in files:
                with fsspec.open(f"{outcome.sent}/{name}", "rb") as file:
                    assert file.read() == (record / name).read_bytes()

    @pytest.mark.usefixtures("fsspec", "quick")
    @pytest.mark.parametrize("address", ["memory://attic", "file://{}/attic"])
    def test_a_record_there_is_never_overwritten(self, tmp_path: Path, address: str) -> None:
        address = address.format(tmp_path)
        folders = [tmp_path / "one" / "quay", tmp_path / "two" / "quay"]
        first, second = write_reports(folders, jobs=1, to=address)
        assert first.sent == f"{address}/quay-1"
        assert second.sent is None
        assert second.page is not None
        assert second.page.is_file()
        assert f"{address}/quay-1 is there already" in str(second.trouble)
        result = CliRunner().invoke(main, ["report", str(tmp_path / "three" / "quay"), "--to", address])
        assert result.exit_code == 2
        assert result.stdout.strip() == str(tmp_path / "three/quay/records/quay-1/report.html")
        assert "is there already and was left as it is. The new record is whole at" in result.stderr

    @pytest.mark.usefixtures("quick")
    @pytest.mark.parametrize(
        ("failure", "raised"), [(OSError(28, "Disk full"), NotSent), (KeyboardInterrupt(),) * 2]
    )
    def test_a_copy_that_fails_leaves_nothing_there(
        self,
        fsspec: Any,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        failure: BaseException,
        raised: Any,
    ) -> None:
        files = fsspec.filesystem("file")
        write = type(files).pipe_file

        def refuse(self: Any, path: str, data: bytes, **more: Any) -> None:
            if path.endswith("report.html"):
                write(self, path, data[:3])
                raise failure
            write(self, path, data)

        monkeypatch.setattr(type(files), "pipe_file", refuse)
        record = report.write_report(tmp_path / "quay").parent
        kept = {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
        kind = raised if isinstance(raised, type) else type(raised)
        with pytest.raises(kind) as error:
            Address(f"file://{tmp_path}/stick").send(record)
        if kind is NotSent:
            assert str(error.value).startswith(
                f"The record is whole at {record}, but it could not be written"
            )
            assert "Disk full. Copy the folder there by hand." in str(error.value)
        assert list((tmp_path / "stick").iterdir()) == []
        assert kept == {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}

    @pytest.mark.usefixtures("quick")
    def test_without_fsspec_it_says_what_to_install(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for name in ("fsspec", "fsspec.core"):
            monkeypatch.setitem(sys.modules, name, None)
        result = CliRunner().invoke(main, ["report", str(tmp_path / "quay"), "--to", "memory://attic"])
        assert result.exit_code == 2
        assert "Install it with: pip install 'fizzlab[remote]'" in result.stderr
        assert not (tmp_path / "quay").exists()
