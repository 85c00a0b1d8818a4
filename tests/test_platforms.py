"""What can be tried of Windows and macOS on another system; docs/platforms.md says what could not."""

from __future__ import annotations

import errno
import importlib.util
import os
import re
import subprocess
import sys
import types
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from fizzlab.cli.main import main
from fizzlab.trial import locks, placing

fcntl = pytest.importorskip("fcntl", reason="plays Windows on another system, with that system's locks")

# "Naming Files, Paths, and Namespaces", the documentation of Windows; from memory
_REFUSED = re.compile(r'[<>:"/\\|?*\x00-\x1f]|[. ]$')
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}


def _windows_locks(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The module of locks as Windows loads it, on a `msvcrt` and an `unlink` that behave like its own."""
    opened: dict[int, str] = {}
    really = os.open, os.close, os.unlink

    def locking(held: int, mode: int, _: int) -> None:
        try:
            fcntl.flock(held, fcntl.LOCK_UN if mode == 0 else fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OSError(errno.EACCES, "Permission denied") from None

    def open_(path: Any, *how: Any) -> int:
        held = really[0](path, *how)
        opened[held] = str(path)
        return held

    def close(held: int) -> None:
        opened.pop(held, None)
        really[1](held)

    def unlink(path: Any, **how: Any) -> None:
        if str(path) in opened.values():  # Windows takes no file away that somebody has open
            raise PermissionError(errno.EACCES, "in use", str(path))
        really[2](path, **how)

    with monkeypatch.context() as playing:
        playing.setitem(sys.modules, "msvcrt", types.SimpleNamespace(LK_NBLCK=2, LK_UNLCK=0, locking=locking))
        playing.setattr(sys, "platform", "win32")
        spec = importlib.util.spec_from_file_location("windows_locks", locks.__file__)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    for name, play in (("open", open_), ("close", close), ("unlink", unlink)):
        monkeypatch.setattr(os, name, play)
    return module


def test_the_lock_of_windows_keeps_two_apart_and_goes_with_its_holder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    windows = _windows_locks(monkeypatch)
    path = tmp_path / "folder.lock"
    with windows.locked(path):
        with pytest.raises(windows.Busy, match="Another fizzlab"), windows.locked(path, patience_s=0.05):
            pass
        assert path.exists()
    assert not path.exists()
    with windows.locked(path):
        pass
    with pytest.raises(ZeroDivisionError), windows.locked(path):
        raise ZeroDivisionError
    with windows.locked(path, patience_s=0.1):
        pass


def test_a_table_that_is_open_elsewhere_is_named_and_stays(
    make_trial: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A spreadsheet program on Windows lets nobody replace the file that it has open."""
    folder = make_trial()
    before = {path.name: path.read_bytes() for path in folder.iterdir()}

    def refuse(_: Any, to: Any) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(to))

    monkeypatch.setattr(placing.os, "replace", refuse)
    done = CliRunner().invoke(main, ["upgrade", str(folder)])
    assert done.exit_code == 0  # nothing to write
    (folder / "trial.toml").write_text(
        before["trial.toml"].decode() + '\n[crumble]\ntumble_scale = "log"\n', encoding="utf-8"
    )
    before["trial.toml"] = (folder / "trial.toml").read_bytes()
    done = CliRunner().invoke(main, ["upgrade", str(folder)])
    assert done.exit_code == 2
    assert "The computer refused: Permission denied" in done.output
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_names_are_read_alike_however_a_mac_spells_their_accents(make_trial: Any) -> None:
    folder = make_trial()
    named = folder.with_name(unicodedata.normalize("NFD", "März"))
    folder.rename(named)
    assert CliRunner().invoke(main, ["check", str(named)]).exit_code == 0


@pytest.mark.slow
def test_every_file_that_is_made_has_a_name_for_every_system_and_says_its_encoding(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONWARNDEFAULTENCODING": "1"}
    fizzlab = [sys.executable, "-m", "fizzlab"]
    said = ""
    for words in (
        ["demo", "trials"],
        ["overview", "trials"],
        ["next", "trials/cores", "--do", "confirm"],
        ["plan", "trials/cores-confirm"],
        ["pack", "trials/cores"],
        ["unpack", "cores.zip", "--to", "elsewhere"],
        ["chart", "trials/season"],
    ):
        done = subprocess.run(
            [*fizzlab, *words], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        said += done.stderr
    ours = [line for line in said.splitlines() if "EncodingWarning" in line and "/fizzlab/" in line]
    assert ours == []
    made = [path.relative_to(tmp_path) for path in tmp_path.rglob("*")]
    assert len(made) > 60
    for path in made:
        for part in path.parts:
            assert not _REFUSED.search(part), path
            assert part.split(".")[0].casefold() not in _DEVICES, path
        assert len(str(path)) <= 120, path  # Windows counts 260 with the folders above
    assert len({str(path).casefold() for path in made}) == len(made)
