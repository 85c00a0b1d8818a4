"""What a maker is asked about a trial, in the words of questions.toml, and the answers as they were typed."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fizzlab.design.kinds import KINDS
from fizzlab.language import say, translated
from fizzlab.measures import MEASURES, TABLES

Row = Mapping[str, str]

#: The kind that plans nothing; and, in place of a unit, that what looks like numbers are names.
LATER, NAMED = "later", "\0"

#: What is an amount, several, or a range.
NUMBERS = re.compile(r"[\d.,;\s]+|.*\d\s*(?:to|-|–)\s*[\d.,]+")


@dataclass(frozen=True)
class Ask:
    """One question; questions.toml says what its parts mean. `default` is by kind of plan, "" for any."""

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
    needs: str = ""
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
    default = {"": default} if isinstance(default, str) else default
    return Ask(**said | {"default": default, "fields": tuple(map(_ask, said.get("fields", ())))})


_WRITTEN = tomllib.loads(Path(__file__).with_name("questions.toml").read_text("utf-8"))

#: Every question, in order, by its key.
ASKS: dict[str, Ask] = {said["key"]: _ask(said) for said in _WRITTEN["ask"]}


@dataclass(frozen=True)
class Answers:
    """Answers as typed: `told` by key; `rows` of the questions that take several lines, by field."""

    told: Mapping[str, str] = field(default_factory=dict)
    rows: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)

    def tell(self, key: str, said: str | tuple[Row, ...]) -> Answers:
        """These answers with one more, or with another one instead."""
        if isinstance(said, str):
            return replace(self, told={**self.told, key: said.strip()})
        return replace(self, rows={**self.rows, key: tuple(row for row in said if row["name"].strip())})

    @property
    def changed(self) -> tuple[Row, ...]:
        """The lines of what is changed."""
        return self.rows.get("factors", ())

    @property
    def kind(self) -> str:
        """The kind of plan: as told, else the one that suits what is changed."""
        return self.told.get("plan.kind") or (LATER, "compare", "factorial")[min(len(self.changed), 2)]

    def text(self, key: str) -> str:
        """The answer, or what is taken where none was given."""
        return self.told.get(key, "") or self.default(key)

    def default(self, key: str) -> str:
        """What is taken where no answer is given."""
        ask, kind = ASKS[key], KINDS.get(self.kind)
        if key == "plan.hard_to_change" and self.changed:
            return self.changed[0]["name"]
        if key == "plan.batches_per_day" and kind and "days" in kind.options:
            return str(max((len(split(row.get("values", ""))) for row in self.changed), default=3))
        return self.kind if key == "plan.kind" else ask.default.get(self.kind, ask.default.get("", ""))

    def asked(self) -> list[Ask]:
        """The questions of this kind of plan and these tables, answered or not."""
        from fizzlab.trial.settings import PlanSettings

        kind, tables = KINDS.get(self.kind), {*split(self.text("plan.tables"))}
        options = {option for each in KINDS.values() for option in each.options}
        fields = PlanSettings.model_fields.keys() - options
        known = {*fields, *kind.options} if kind else {"kind", "tables"}
        alike, again = (kind.alike, kind.again) if kind else (False, False)

        def open_(ask: Ask) -> bool:
            if ask.key.startswith("plan."):
                read = not ask.tables or bool(tables & {*ask.tables}) or (again and ask.name == "raters")
                needed = not ask.needs or any(self.told.get(key) for key in (ask.needs, ask.key))
                return ask.name in known and read and needed
            of_none = ask.key.startswith("recipe.") and not self.rows.get("ingredients")
            return not (of_none or (ask.key == "factors" and alike))

        return list(filter(open_, ASKS.values()))

    def fitting(self) -> Answers:
        """Without what is not asked."""
        keys = {ask.key for ask in self.asked()}
        told, rows = ({k: v for k, v in each.items() if k in keys} for each in (self.told, self.rows))
        return Answers(told, rows)  # type: ignore[arg-type]

    def choices(self, key: str) -> dict[str, str]:
        """What can be chosen for a question or a field, with the words for it; else nothing."""
        if key == "plan.tables":
            return {name: translated(spec.meaning) for name, spec in TABLES.items() if name != "runs"}
        if key == "wishes.name":
            tables = {*split(self.text("plan.tables")), ""}
            return {each.label: each.titled for each in MEASURES.values() if each.table in tables}
        found = {}
        for row in self.changed if key == "ingredients.goes" else ():
            name, ways = row["name"].strip(), split(row.get("values", ""))
            if row.get("unit") != NAMED and (row.get("unit") or NUMBERS.fullmatch(row.get("values", ""))):
                found[name] = say("goes_amount", name=name)
            else:
                found |= {f"{name} = {way}": say("goes_only", name=name, way=way) for way in ways}
        known = ASKS[key].choices if key in ASKS else {}
        return found or {name: translated(words) for name, words in known.items()}


def split(text: str) -> list[str]:
    """What stands between commas, or between semicolons.

    >>> split("pearl, dye"), split("0,6; 1,2")
    (['pearl', 'dye'], ['0,6', '1,2'])
    """
    return [part.strip() for part in text.split(";" if ";" in text else ",") if part.strip()]


def folded(name: str) -> str:
    """A name as a key: in small letters, with _ for spaces."""
    return "_".join(name.casefold().split())
