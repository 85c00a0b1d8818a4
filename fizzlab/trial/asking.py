"""What a maker is asked about a trial, in the words of questions.toml, and the answers as they were typed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fizzlab.design.kinds import KINDS
from fizzlab.measures import MEASURES, TABLES

Row = Mapping[str, str]

#: The kind that plans nothing.
LATER = "later"

#: In place of a unit: the values are names, even where they look like numbers.
NAMED = "\0"

#: An amount or several, with a decimal point or comma.
NUMBERS = re.compile(r"[\d.,;\s]+|.*\d\s*(?:to|-|–)\s*[\d.,]+")


@dataclass(frozen=True)
class Ask:
    """One question; see questions.toml for what its parts mean. `default` is by kind of plan, "" for any."""

    key: str
    label: str
    words: str
    kind: str = "text"
    example: str = ""
    default: Mapping[str, str] = field(default_factory=dict)
    note: str = ""
    section: str = ""
    say: str = ""
    option: str = ""
    seldom: bool = False
    tables: tuple[str, ...] = ()
    choices: Mapping[str, str] = field(default_factory=dict)
    fields: tuple[Ask, ...] = ()

    @property
    def name(self) -> str:
        """The last part of its key."""
        return self.key.rpartition(".")[2]

    @property
    def flag(self) -> str:
        """The option of the command that gives it."""
        return f"--{self.option or self.name.replace('_', '-')}"


def _ask(said: dict[str, Any]) -> Ask:
    default = said.get("default", {})
    said["default"] = {"": default} if isinstance(default, str) else default
    return Ask(**said | {"fields": tuple(map(_ask, said.get("fields", ())))})


#: Every question, in order, by its key.
ASKS: dict[str, Ask] = {
    said["key"]: _ask(said)
    for said in tomllib.loads(Path(__file__).with_name("questions.toml").read_text("utf-8"))["ask"]
}


@dataclass(frozen=True)
class Answers:
    """Answers as typed: `told` by key; `rows`, of the questions that take several lines, by field."""

    told: Mapping[str, str] = field(default_factory=dict)
    rows: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)

    def tell(self, key: str, said: str | tuple[Row, ...]) -> Answers:
        """These answers with one more, or with another one instead."""
        if isinstance(said, str):
            return replace(self, told={**self.told, key: said.strip()})
        return replace(
            self, rows={**self.rows, key: tuple(row for row in said if row.get("name", "").strip())}
        )

    @property
    def kind(self) -> str:
        """The kind of plan: as told, else the one that suits what is changed."""
        changes = len(self.rows.get("factors", ()))
        return self.told.get("plan.kind") or (LATER, "compare")[changes] if changes < 2 else "factorial"

    def text(self, key: str) -> str:
        """The answer, or what is taken where none was given."""
        return self.told.get(key, "") or self.default(key)

    def default(self, key: str) -> str:
        """What return takes."""
        ask = ASKS[key]
        if key == "plan.kind":
            return self.kind
        if key == "plan.hard_to_change" and self.rows.get("factors"):
            return self.rows["factors"][0]["name"]
        if key == "plan.batches_per_day":
            ways = [len(split(row.get("values", ""))) for row in self.rows.get("factors", ())]
            return str(max(ways, default=3) if "days" in getattr(KINDS.get(self.kind), "options", ()) else 6)
        return ask.default.get(self.kind, ask.default.get("", ""))

    def asked(self) -> list[Ask]:
        """The questions of this kind of plan and these tables, answered or not."""
        from fizzlab.trial.settings import PlanSettings

        kind, tables = KINDS.get(self.kind), split(self.text("plan.tables"))
        options = {option for each in KINDS.values() for option in each.options}
        found = []
        for ask in ASKS.values():
            part, _, name = ask.key.rpartition(".")
            if part == "plan" and (
                (kind is None and name not in ("kind", "tables"))
                or name not in PlanSettings.model_fields
                or (kind is not None and name in options and name not in kind.options)
                or (
                    ask.tables
                    and not {*ask.tables} & {*tables}
                    and not (name == "raters" and kind and kind.again)
                )
            ):
                continue
            if (part == "recipe" and not self.rows.get("ingredients")) or (
                ask.key == "factors" and kind is not None and kind.again
            ):
                continue
            found.append(ask)
        return found

    def fitting(self) -> Answers:
        """Without what is not asked any more."""
        keys = {ask.key for ask in self.asked()}
        return Answers(
            {key: said for key, said in self.told.items() if key in keys or key not in ASKS},
            {key: rows for key, rows in self.rows.items() if key in keys},
        )

    def choices(self, key: str) -> dict[str, str]:
        """What can be chosen for a question or a field, with the words for it; else nothing."""
        if key == "plan.tables":
            return {name: spec.meaning for name, spec in TABLES.items() if name != "runs"}
        if key == "wishes.name":
            tables = {*split(self.text("plan.tables")), ""}
            return {each.name: each.titled for each in MEASURES.values() if each.table in tables}
        if key == "ingredients.goes":
            found = {"": "all batches"}
            for row in self.rows.get("factors", ()):
                ways, name = split(row.get("values", "")), row["name"].strip()
                if row.get("unit") != NAMED and (row.get("unit") or NUMBERS.fullmatch(row.get("values", ""))):
                    found[name] = f"the amount of {name}"
                else:
                    found |= {f"{name} = {way}": f"only {name} {way}" for way in ways}
            return found
        return dict(ASKS[key].choices) if key in ASKS else {}


def split(text: str) -> list[str]:
    """What stands between commas, or between semicolons.

    >>> split("pearl, dye"), split("0,6; 1,2")
    (['pearl', 'dye'], ['0,6', '1,2'])
    """
    return [part.strip() for part in text.split(";" if ";" in text else ",") if part.strip()]


def folded(name: str) -> str:
    """A name as a key: in small letters, with _ for spaces."""
    return "_".join(name.casefold().split())
