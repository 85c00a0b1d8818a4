"""Folders of older versions, kept as they were written: checked, upgraded, read."""

from __future__ import annotations

import shutil
from pathlib import Path

from click.testing import CliRunner

from fizzlab.cli.main import main
from fizzlab.trial.folder import load
from fizzlab.trial.upgrading import GONE

OLDER = Path(__file__).with_name("older")


def _run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, words)
    return done.exit_code, done.output


def test_a_folder_of_0_2_is_upgraded_and_read(tmp_path: Path) -> None:
    folder = tmp_path / "cores"
    shutil.copytree(OLDER / "0.2-cores", folder)
    before = (folder / "trial.toml").read_text(encoding="utf-8")
    code, said = _run("check", str(folder))
    assert code == 2
    assert "key drying.distribution: fizzlab knows no such key" in said
    assert "fizzlab upgrade" in said
    code, said = _run("upgrade", str(folder))
    assert code == 0
    assert said.startswith("Taken out: drying.distribution.")
    assert (folder / "trial-0.2.toml").read_text(encoding="utf-8") == before
    after = (folder / "trial.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in before.splitlines() if line not in after] == ['distribution = "lognormal"']
    assert [line for line in after if line not in before.splitlines()] == []
    assert len(load(folder).tables["runs"].rows) == 17
    assert _run("upgrade", str(folder)) == (0, "Nothing to change.\n")


def test_everything_that_went_is_taken_out_and_nothing_else(tmp_path: Path) -> None:
    text = '# mine\n[drying]\nair = "rh and temperature"  # both\nnight_hours = 12\n'
    for key, value, _, _ in GONE:
        if value is None:
            section, _, name = key.partition(".")
            text = (
                text.replace(f"[{section}]\n", f"[{section}]\n{name} = 1\n")
                if section in text
                else (f"{text}[{section}]\n{name} = 1\n")
            )
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    code, said = _run("upgrade", str(tmp_path))
    assert code == 0
    assert said.count("Taken out: ") == len(GONE)
    assert (tmp_path / "trial.toml").read_text(encoding="utf-8").split() == (
        ["#", "mine", "[drying]", "night_hours", "=", "12", "[crumble]"]
    )
    (tmp_path / "trial.toml").write_text('[drying]\nair = "vpd"\n', encoding="utf-8")
    assert _run("upgrade", str(tmp_path)) == (0, "Nothing to change.\n")


def test_what_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "trial.toml").write_text("[drying\n", encoding="utf-8")
    code, said = _run("upgrade", str(tmp_path))
    assert code == 2
    assert "it cannot be read" in said
    assert [path.name for path in tmp_path.iterdir()] == ["trial.toml"]
