"""The whole of `trial.toml` as one model; every complaint becomes a `Problem` in plain words."""

from __future__ import annotations

import re
import tomllib
import typing
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from fizzlab.design.kinds import KINDS
from fizzlab.errors import HIDDEN, BadInput, Problem, did_you_mean
from fizzlab.language import ENGLISH, languages
from fizzlab.measures import MEASURES, TABLES, Column, Measure, TableSpec, tables, with_rater, worded
from fizzlab.models.terms import Amount, Category, Term
from fizzlab.recipe.ingredients import Recipe
from fizzlab.trial.opening import bytes_of
from fizzlab.trial.settings import sections
from fizzlab.trial.settings.recipe import RecipeSettings, make_recipe
from fizzlab.trial.settings.sections import (
    FILE,
    Complaints,
    FactorSettings,
    Name,
    PlanSettings,
    Section,
    Text,
)

#: Names that neither a factor nor a response of the maker's own may have.
TAKEN = {column.name for column in TABLES["runs"].columns} | {"leave_out", "temp_c", "rh_pct", "vpd_kpa"}


def plain_name(name: str) -> bool:
    """Is it written in small letters, digits and _ only?"""
    return name == name.strip().casefold() and name.replace("_", "").isalnum()


def factor_name_fault(name: str) -> str:
    """Why a factor cannot have a name; empty where it can."""
    if name.casefold() in TAKEN:
        return f"a factor may not be called “{name}”, a name fizzlab uses itself"
    return "" if plain_name(name) else f"write the factor “{name}” in small letters, digits and _ only"


class TrialSettings(Section):
    """The whole of `trial.toml`."""

    code: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")
    title: Text
    question: Text
    about: list[Name] = Field(default_factory=list, max_length=12)
    want: Literal["less", "more"] | None = None
    place: str = ""
    made_by: str = ""
    paper: Literal["a4", "letter"] = "a4"
    language: str = ENGLISH
    seed: int = Field(default=1, ge=0)
    factors: dict[str, FactorSettings] = Field(default_factory=dict)
    lots: dict[Name, sections.Lots] = Field(default_factory=dict)
    deviations: list[sections.DeviationSettings] = Field(default_factory=list, max_length=200)
    recipe: RecipeSettings | None = None
    plan: PlanSettings | None = None
    bench: sections.BenchSettings = sections.BenchSettings()
    drying: sections.DryingSettings = sections.DryingSettings()
    fizz: sections.FizzSettings = sections.FizzSettings()
    crumble: sections.CrumbleSettings = sections.CrumbleSettings()
    responses: dict[str, sections.ResponseSettings] = Field(default_factory=dict)
    choose: sections.ChooseSettings = sections.ChooseSettings()
    imports: dict[sections.Called, sections.ImportSettings] = Field(default_factory=dict)
    earlier: sections.EarlierSettings | None = None
    confirms: sections.ConfirmsSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _question(cls, written: Any) -> Any:
        """[question] with its text, what it is about and which way is wanted, instead of the text alone."""
        asked = written.get("question") if isinstance(written, dict) else None
        if not isinstance(asked, dict) or not set(asked) <= {"text", "about", "want"}:
            return written
        told = {key: value for key, value in asked.items() if key != "text"}
        return {**written, **told, "question": asked.get("text", "")}

    def faults(self) -> Iterator[str]:
        yield from filter(None, map(factor_name_fault, self.factors))
        if self.language not in languages():
            yield f"no report is written in “{self.language}”; the languages are: {', '.join(languages())}"

    def terms(self) -> list[Term]:
        """The factors as terms of a model, in the order of the file."""
        return [
            Amount(name, factor.unit)
            if factor.levels is None
            else Category(name, tuple(factor.levels), factor.control or factor.levels[0])
            for name, factor in self.factors.items()
        ]

    def measures(self) -> dict[str, Measure]:
        """Everything that may be measured in this trial: what fizzlab knows, then the maker's own."""
        own = {name: asked.measure(name) for name, asked in self.responses.items() if name not in MEASURES}
        money = "" if self.recipe is None else self.recipe.currency
        known = {name: worded(each) for name, each in MEASURES.items()}
        paid = {name: replace(each, unit=money) for name, each in known.items() if each.paid}
        return known | paid | own

    def tables(self) -> dict[str, TableSpec]:
        """Every table that this trial may have; `runs` has its factors and numbers among its columns."""
        found = tables(list(self.measures().values()))
        runs = found["runs"]
        more = [
            Column(name, "number" if factor.numeric else "text", f"the {self.label(name)} of the batch")
            for name, factor in self.factors.items()
        ]
        held = {column.name for column in runs.columns}
        more += [
            Column(each.column, "number", each.label, required=False, low=each.low, high=each.high)
            for each in self.measures().values()
            if each.table == "runs" and each.column not in held
        ]
        found |= {"runs": replace(runs, columns=(*runs.columns, *more))}
        again = self.plan is not None and self.plan.again
        return {name: with_rater(spec) for name, spec in found.items()} if again else found

    def measure(self, response: str) -> Measure:
        """How a response is spoken of and compared: one of `MEASURES`, or the maker's own."""
        return self.measures()[response]

    def made_recipe(self) -> Recipe | None:
        """The recipe with its rules, or None where trial.toml has none; see `make_recipe`."""
        return None if self.recipe is None else make_recipe(self.recipe, self.factors)

    def label(self, name: str) -> str:
        """The plain words for a factor, or its name without the unit that ends it."""
        factor = self.factors.get(name)
        plain = name.removesuffix(f"_{factor.unit}") if factor and factor.unit else name
        return (factor.label if factor else "") or plain.replace("_", " ")


def misfits(settings: TrialSettings) -> Complaints:
    """What does not fit between the sections, all of it."""
    said = Complaints()
    if settings.plan is not None:
        _check_plan(said, settings.plan, settings)
    _check_responses(said, settings)
    try:
        settings.made_recipe()
    except BadInput as error:
        said += error.problems
    return said


def _check_plan(said: Complaints, plan: PlanSettings, settings: TrialSettings) -> None:
    factors, kind = settings.factors, KINDS[plan.kind]
    if kind.alike and factors:
        do = "Take the factors out, or choose another kind; hold the recipe as you make it most often."
        said.add("plan.kind", f"a plan of the kind “{kind.name}” makes every batch alike.", do)
        return
    if not factors and not kind.alike:
        do = 'Add one under [factors.NAME], or plan a "season", of which the air alone is studied.'
        said.add("plan.kind", "there is no factor to plan for.", do)
        return
    if kind.alike and not kind.again and ("room_log" not in plan.tables or settings.drying.air == "none"):
        do = "Put room_log into tables, and take air out of [drying]."
        said.add("plan.tables", "a season is judged by the air of its days, which is not read.", do)
    called = f"a plan of the kind “{plan.kind}”"
    # a key that the kind does not use is refused, so that no wish is ignored
    for key in dict.fromkeys(option for each in KINDS.values() for option in each.options):
        if getattr(plan, key) is not None and key not in kind.options:
            others = ", ".join(each.name for each in KINDS.values() if key in each.options)
            do = f"Take it out, or change the kind ({others})."
            said.add(f"plan.{key}", f"{called} has no use for it.", do)
    for key in kind.needs:
        if getattr(plan, key) is None:
            said.add(f"plan.{key}", f"{called} needs it.", "Add it.")

    def factor_known(key: str, name: str) -> None:
        said.unknown(f"plan.{key}", name, factors, f"the trial has no factor “{name}”.")

    for key in ("hard_to_change", "model"):
        terms = getattr(plan, key)
        for term in terms if isinstance(terms, list) else ():
            for name in term.removesuffix("^2").split(":"):
                factor_known(key, name)
    for number, pair in enumerate(plan.forbidden or (), start=1):
        key = f"forbidden ({number})"
        if not pair:
            said.add(f"plan.{key}", "it names nothing.", 'Write { colour = "dye", binder_g = 1.8 }.')
        for name, given in pair.items():
            factor_known(key, name)
            levels = factors[name].levels if name in factors else None
            for level in given if isinstance(given, list) else [given]:
                if levels is not None:
                    what = f"the factor has no level “{level}”."
                    said.unknown(f"plan.{key}.{name}", str(level), levels, what)
                elif name in factors and isinstance(level, str):
                    said.add(f"plan.{key}.{name}", f"“{level}” is not a number.", "Write the amount.")
    if kind.one_factor and len(factors) > 1:
        do = "Plan a factorial, or make one factor of them."
        said.add("plan.kind", f"{called} compares the levels of one factor, not of {len(factors)}.", do)
    if kind.blends:
        for name, factor in factors.items():
            if factor.low is None or factor.low < 0:
                what = "an ingredient of a mixture needs bounds of zero or more."
                said.add(f"factors.{name}", what, "Give low and high.")
        if len({factor.unit for factor in factors.values()}) > 1:
            what = "a mixture adds up in one unit, and the factors have several."
            said.add("plan.kind", what, "Give every ingredient of the mixture the same unit.")
    if factors and set(plan.hard_to_change or ()) >= set(factors):
        what = "every factor is one of the room, so none is changed from batch to batch."
        said.add("plan.hard_to_change", what, "Leave at least one factor out of it.")
    readings = [name for name in settings.tables() if name != "runs"]
    for name in plan.tables:
        said.unknown("plan.tables", name, readings, f"fizzlab has no table “{name}” to fill in.")


def _check_responses(said: Complaints, settings: TrialSettings) -> None:
    """Names that collide, and keys that only a number of one's own has."""
    for name, asked in settings.responses.items():
        key, reserved = f"responses.{name}", TAKEN | (TABLES.keys() if asked.per == "piece" else set())
        if name in settings.factors:
            said.add(key, "a factor has this name.", "Rename one of the two.")
        elif name in MEASURES:
            for own in ("label", "unit", "scale", "per", "low", "high"):
                if getattr(asked, own) not in (None, ""):
                    said.add(f"{key}.{own}", f"fizzlab knows the {own} of {name}.", "Take it out.")
        elif name in reserved | {"piece"} or not plain_name(name):
            do = "Use small letters, digits and _, and no name of fizzlab's own columns."
            said.add(key, "a response may not be called so.", do)
        elif not asked.label:
            do = f"A number of your own needs a label. Known: {', '.join(MEASURES)}."
            said.unknown(key, name, MEASURES, "fizzlab takes no such number from the tables.", do)


_Place = tuple[str | int, ...]


def read_settings(folder: Path) -> tuple[TrialSettings | None, list[Problem]]:
    """Read and check `trial.toml`; return None with the problems when it cannot be used."""
    path = folder / FILE
    try:
        raw = tomllib.loads(unicodedata.normalize("NFC", bytes_of(path).decode("utf-8-sig")))
        hidden = [_hidden_sign(place, text) for place, text in _texts(raw) if HIDDEN.search(text)]
    except FileNotFoundError:
        trials = sorted(path.parent.name for path in folder.glob(f"*/{FILE}"))
        more, do = " and more" * (len(trials) > 3), "Write one with: fizzlab new FOLDER."
        do = f"Name a trial in it: it holds {', '.join(trials[:3])}{more}." if trials else do
        return None, [Problem(FILE, f"it is not in the folder {folder.resolve().name}.", do)]
    except BadInput as error:
        return None, list(error.problems)
    except UnicodeDecodeError:
        return None, [Problem(FILE, "it is not plain UTF-8 text.", "Save it again as UTF-8.")]
    except tomllib.TOMLDecodeError as error:
        do = "Look there for a missing quotation mark (it must be a straight one), bracket or equals sign."
        return None, [Problem(FILE, f"it cannot be read: {error}.", do)]
    except (ValueError, RecursionError):
        what = "it holds a number of thousands of digits, or brackets or keys within each other without end."
        return None, [Problem(FILE, what, "Take that out.")]
    if hidden:
        return None, hidden
    try:
        settings = TrialSettings.model_validate(raw)
    except ValidationError as error:
        found = [_problem(item, raw) for item in error.errors()]
        # each member of a union complains of the same key
        return None, list({problem.column: problem for problem in reversed(found)}.values())[::-1]
    problems = misfits(settings)
    return (None if problems else settings), problems


def _texts(raw: object, place: _Place = ()) -> Iterator[tuple[_Place, str]]:
    """Every text of the file, keys too, with its place."""
    if isinstance(raw, str):
        yield place, raw
    elif isinstance(raw, dict):
        for key, value in raw.items():
            yield (*place, key), key
            yield from _texts(value, (*place, key))
    elif isinstance(raw, list):
        for i, value in enumerate(raw):
            yield from _texts(value, (*place, i))


def _hidden_sign(place: _Place, text: str) -> Problem:
    what = f"a sign that cannot be seen or printed stands in “{HIDDEN.sub('�', text)[:40]}”."
    key = ".".join(HIDDEN.sub("�", str(part)) for part in place)
    return Problem(FILE, what, "Type the text again.", column=f"key {key}")


def _problem(item: Any, raw: dict[str, Any]) -> Problem:
    """Say one pydantic complaint in plain words."""
    place, kind, given = item["loc"], item["type"], item["input"]
    what, do = f"{item['msg'][0].lower()}{item['msg'][1:]} (it says {repr(given)[:60]}).", "Change it."
    if kind == "extra_forbidden":
        what = "fizzlab knows no such key."
        do = did_you_mean(
            str(place[-1]),
            _keys_beside(place[:-1]),
            "Take it out (if an older version wrote it: fizzlab upgrade FOLDER).",
        )
    elif kind == "missing":
        what, do = "the key is missing.", "Add it."
    elif kind == "value_error":
        what = f"{item['ctx']['error']}."
    elif kind.startswith("date"):
        what, do = f"“{given}” is no date that a trial could have.", "Write it as 2026-03-06."
    elif kind == "string_pattern_mismatch" and place[-1] == "code":
        what = f"“{given}” cannot be a trial code."
        do = "Use up to 40 letters, digits, - and _, beginning with a letter or digit."
    elif kind == "literal_error":
        choices = re.findall("'([^']*)'", item["ctx"]["expected"])
        what = f"“{given}” is none of its choices."
        do = f"{did_you_mean(str(given), choices, '')} Choose from: {', '.join(choices)}.".strip()
    key = _spoken(place, raw)
    return Problem(FILE, what, do, column=f"key {key}" if key else None)


def _spoken(place: Sequence[str | int], raw: Any) -> str:
    """A key with dots; an entry of a list is called by its name, or counted from one."""
    said = ""
    for part in place:
        if isinstance(part, int) and isinstance(raw, list):
            raw = raw[part]
            name = raw.get("name") if isinstance(raw, dict) else None
            said += f" ({name if isinstance(name, str) else part + 1})"
        elif part == "[key]":  # pydantic's mark of a key that is none of the choices
            continue
        elif isinstance(raw, dict):  # else pydantic's name for a member of a union
            raw = raw.get(part)
            said += f".{part}" if said else str(part)
    return said


def _keys_beside(place: Sequence[str | int]) -> list[str]:
    """The keys that are known at a place in the file."""
    here: type[Section] = TrialSettings
    for part in place:
        field = here.model_fields.get(str(part))
        here = (_section_in(field.annotation) if field else None) or here
    return list(here.model_fields)


def _section_in(kind: Any) -> type[Section] | None:
    """The section that an annotation holds, in a list, a table or a union or not."""
    if isinstance(kind, type) and issubclass(kind, Section):
        return kind
    return next(filter(None, map(_section_in, typing.get_args(kind))), None)
