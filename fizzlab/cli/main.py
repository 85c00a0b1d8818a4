"""The `fizzlab` command, a module a verb, loaded when it is asked for, so that each starts at once."""

from __future__ import annotations

import atexit
import gc
import os
from collections import UserDict
from importlib import import_module
from typing import Any

import click

from fizzlab import __version__
from fizzlab.cli.saying import InSentences

# fizzlab has no plugins, and to look for some takes as long as to read a ledger of five hundred records
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

# else Python looks through all that is loaded before it ends: 0.4 s after a report
atexit.register(gc.freeze)


class _Verbs(UserDict[str, Any]):
    """The commands by name, each loaded when it is looked up."""

    def __getitem__(self, name: str) -> Any:
        module, _, function = super().__getitem__(name).partition(":")
        return getattr(import_module(f"fizzlab.cli.{module}"), function or name)


#: The module that each stands in, and what it is called there where that differs.
_VERBS = _Verbs({"import": "importing:import_", "next": "next:next_", "shopping": "next", "unpack": "pack"})
_VERBS |= {"bench": "lab", "demo": "report"}
_VERBS |= {verb: verb for verb in ("calendar", "chart", "check", "lab", "labels", "new", "overview", "pack")}
_VERBS |= {verb: verb for verb in ("pdf", "plan", "records", "report", "upgrade")}


@click.group(cls=InSentences, commands=_VERBS, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="fizzlab")
def main() -> None:
    """Trials for small bath-fizzer makers: from a folder of readings to a report."""


if __name__ == "__main__":
    main()
