"""All of the old or all of the new: whatever stops a command, and however many write at once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from stops import AT_ONCE, COMMANDS, stopped

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name == "nt", reason="forks and kills are those of POSIX"),
]


@pytest.mark.parametrize("how", ["killed", "one step fails", "full for good"])
@pytest.mark.parametrize("name", COMMANDS)
def test_stopped_at_every_step(
    name: str, how: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = stopped(COMMANDS[name], tmp_path, how)
    with capsys.disabled():
        print(
            f"\n{name}, {how}: {tally.stops} stops, {tally.old} old, {tally.new} new, {tally.left} left",
            end="",
        )
    assert tally.mixed == []
    assert tally.stops > 3
    assert tally.left == 0
    assert tally.old > 0


@pytest.mark.parametrize("name", AT_ONCE)
def test_several_at_once(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = [AT_ONCE[name](tmp_path / str(round_)) for round_ in range(6)]
    done, held, said = (sum(each) for each in zip(*found, strict=True))
    with capsys.disabled():
        print(f"\n{name}, 6 rounds: {done} reported done, {held} of {said} things reported are there", end="")
    assert held == said
    assert done >= 6
