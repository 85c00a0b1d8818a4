"""Earlier trials of the same workshop: which folders `[earlier]` of trial.toml names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from fizzlab.errors import Problem
from fizzlab.trial.settings import FILE

KEY = "key earlier.trials"
LATER = "It was not begun before this trial"


@dataclass(frozen=True)
class Passed:
    """An earlier trial that is not counted, and why, as one plain sentence."""

    name: str
    why: str


@dataclass(frozen=True)
class Named:
    """A trial folder that `[earlier]` names.

    Parameters
    ----------
    folder : Path
    said : str
        The folder as the maker wrote it, with its sub-folder where it came with a season.
    by_season : bool
        It came with a season folder: only trials made before this one count.
    """

    folder: Path
    said: str
    by_season: bool


def named(folder: Path, trials: Sequence[str]) -> tuple[list[Named], list[Problem]]:
    """Find the folders of earlier trials, each once, in the order of the list.

    Parameters
    ----------
    folder : Path
        The trial's own.
    trials : sequence of str
        What `[earlier]` says.
    """
    found: dict[Path, Named] = {}
    problems: list[Problem] = []
    own = folder.resolve()

    def wrong(said: str, what: str, do: str) -> None:
        problems.append(Problem(FILE, f"“{said}” {what}", do, column=KEY))

    for said in trials:
        path = folder / said
        if not path.is_dir():
            what = "is a file, not the folder of a trial." if path.exists() else "is no folder."
            wrong(said, what, f"Write the way to it from {folder.name or 'this folder'}, such as ../autumn.")
        elif path.resolve() == own:
            wrong(said, "is this trial itself.", "Name trials that were made before it.")
        elif (path / FILE).is_file():
            found.setdefault(path.resolve(), Named(path, said, False))
        else:
            inside = sorted(each.parent for each in path.glob(f"*/{FILE}"))  # this trial may be the first
            if not inside:
                do = f"Name the folder of a trial, or one whose sub-folders are trials, each with its {FILE}."
                wrong(said, f"holds no {FILE}, nor do its sub-folders.", do)
            for each in inside:
                if each.resolve() != own:
                    found.setdefault(each.resolve(), Named(each, f"{said.rstrip('/')}/{each.name}", True))
    return list(found.values()), problems


def too_late(earlier: pd.DataFrame, own: pd.DataFrame) -> str:
    """Why a trial of a season folder is not earlier than this one; empty where it is.

    Parameters
    ----------
    earlier, own : DataFrame
        The `runs` of both, with `made_at`.
    """
    first, mine = earlier["made_at"].min(), own["made_at"].min()
    if pd.isna(first) or pd.isna(mine):
        whose = "its" if pd.isna(first) else "this trial's"
        return f"Whether it was made before this trial is not known: {whose} batches have no made_at."
    return "" if first < mine else f"{LATER}, on {first:%Y-%m-%d}."
