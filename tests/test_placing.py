"""A change of a folder that was stopped is put back by whoever looks next, and nothing outside is touched."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner
from sound_trial import RUNS
from steps import in_child

from fizzlab.cli.main import main
from fizzlab.errors import BadInput
from fizzlab.trial.locks import Busy
from fizzlab.trial.placing import HIDDEN, LIST, UNDO, changing, held, recover, write_whole

OUTSIDE = ("../out.txt", "/out.txt", "a/../../out.txt", "..", "")


@pytest.fixture
def half(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A trial in which a command was stopped after the first of two files, and could clean up nothing."""
    folder = tmp_path / "quay"
    folder.mkdir()
    (folder / "runs.csv").write_text(RUNS)

    def dying() -> None:
        replaced = os.replace

        def last(source: Path, target: Path) -> None:
            replaced(source, target)
            os._exit(1)

        monkeypatch.setattr(os, "replace", last)
        with changing(folder) as room:
            (room / "runs.csv").write_text("new")
            (room / "trial.toml").write_text("new")

    assert in_child(dying) == 1
    assert (folder / "runs.csv").read_text() == "new"
    return folder


posix = pytest.mark.skipif(os.name == "nt", reason="forks are those of POSIX")


@posix
def test_the_next_command_puts_back_what_was_left_half_done(half: Path) -> None:
    said = CliRunner().invoke(main, ["check", str(half)])
    assert "trial.toml" in said.stderr
    assert {path.name: path.read_text() for path in half.iterdir()} == {"runs.csv": RUNS}


@posix
def test_what_was_typed_in_between_is_not_lost(half: Path) -> None:
    (half / "runs.csv").write_text("typed since")
    for _ in range(2):
        said = CliRunner().invoke(main, ["check", str(half)])
        assert said.exit_code == 2
        assert "runs.csv: it was changed after a command had been stopped half-way" in said.stderr
    assert (half / "runs.csv").read_text() == "typed since"
    assert (half / HIDDEN / UNDO / "runs.csv").read_text() == RUNS


@pytest.mark.parametrize(
    "told",
    [{"../out.txt": [None, "x"]}, {"/out.txt": [None, "x"]}, {"a/../..": [None, "x"]}, ["a"], {"a": 1}],
)
def test_a_list_that_somebody_sent_moves_nothing_outside(told: object, tmp_path: Path) -> None:
    undo = tmp_path / "quay" / HIDDEN / UNDO
    undo.mkdir(parents=True)
    (tmp_path / "out.txt").write_text("mine")
    (undo / LIST).write_text(json.dumps(told))
    with pytest.raises(BadInput, match="nothing that fizzlab wrote"):
        recover(tmp_path / "quay")
    assert (tmp_path / "out.txt").read_text() == "mine"
    assert undo.is_dir()


@posix
@pytest.mark.parametrize("name", [HIDDEN, f"{HIDDEN}/{UNDO}"])
def test_a_link_is_not_followed(name: str, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / LIST).write_text('{"here": [null, null]}')
    place = tmp_path / "quay" / name
    place.parent.mkdir(parents=True)
    place.symlink_to(tmp_path / "mine")
    with pytest.raises(BadInput):
        recover(tmp_path / "quay")
    assert (tmp_path / "mine" / LIST).exists()


def test_one_at_a_time_and_the_same_again(tmp_path: Path) -> None:
    from threading import Thread

    found = []

    def other() -> None:
        try:
            with held(tmp_path, patience_s=0.0):
                found.append("held")
        except Busy:
            found.append("busy")

    with held(tmp_path):
        write_whole(tmp_path / "a.txt", b"a")  # by the one who holds it
        thread = Thread(target=other)
        thread.start()
        thread.join()
    assert found == ["busy"]
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]
