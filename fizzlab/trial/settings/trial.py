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
from fizzlab.errors import HIDDEN, BadInput, Problem, did_you_mean, problem
from fizzlab.language import ENGLISH, languages, lines, say, texts
from fizzlab.measures import MEASURES, TABLES, Column, Measure, TableSpec, tables, with_rater, worded
from fizzlab.models.terms import Amount, Category, Term
from fizzlab.recipe.ingredients import Recipe
from fizzlab.trial.opening import FILE, bytes_of
from fizzlab.trial.settings import sections
from fizzlab.trial.settings.recipe import RecipeSettings, make_recipe
from fizzlab.trial.settings.sections import Complaints, FactorSettings, Name, PlanSettings, Section, Text

#: Names that neither a factor nor a response of the maker's own may have.
TAKEN = {column.name for column in TABLES["runs"].columns} | {"leave_out", "temp_c", "rh_pct", "vpd_kpa"}


def plain_name(name: str) -> bool:
    """Is it written in small letters, digits and _ only?"""
    return name == name.strip().casefold() and name.replace("_", "").isalnum()


def factor_name_fault(name: str) -> str:
    """Why a factor cannot have a name; empty where it can."""
    if name.casefold() in TAKEN:
        return say("factor_name_taken", name=name)
    return "" if plain_name(name) else say("factor_name_signs", name=name)


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
            yield say("language_unknown", language=self.language, known=", ".join(languages()))

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
        return {name: self.measure(name) for name in (*MEASURES, *self.responses)}

    def tables(self) -> dict[str, TableSpec]:
        """Every table that this trial may have; `runs` has its factors and numbers among its columns."""
        found = tables(list(self.measures().values()))
        runs = found["runs"]
        more = [
            Column(name, "number" if factor.numeric else "text", say("of_the_batch", label=self.label(name)))
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
        if response not in MEASURES:
            return self.responses[response].measure(response)
        known = worded(MEASURES[response])
        money = "" if self.recipe is None else self.recipe.currency
        return replace(known, unit=money) if known.paid else known

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
        said.add("plan_alike", "plan.kind", kind=kind.name)
        return
    if not factors and not kind.alike:
        said.add("plan_without_factor", "plan.kind")
        return
    if kind.alike and not kind.again and ("room_log" not in plan.tables or settings.drying.air == "none"):
        said.add("plan_season_air", "plan.tables")
    # a key that the kind does not use is refused, so that no wish is ignored
    for key in dict.fromkeys(option for each in KINDS.values() for option in each.options):
        if getattr(plan, key) is not None and key not in kind.options:
            others = ", ".join(each.name for each in KINDS.values() if key in each.options)
            said.add("plan_no_use", f"plan.{key}", kind=plan.kind, others=others)
    for key in kind.needs:
        if getattr(plan, key) is None:
            said.add("plan_needs", f"plan.{key}", kind=plan.kind)

    def factor_known(key: str, name: str) -> None:
        said.unknown("plan_of_no_factor", f"plan.{key}", name, factors)

    for key in ("hard_to_change", "model"):
        terms = getattr(plan, key)
        for term in terms if isinstance(terms, list) else ():
            for name in term.removesuffix("^2").split(":"):
                factor_known(key, name)
    for number, pair in enumerate(plan.forbidden or (), start=1):
        key = f"forbidden ({number})"
        if not pair:
            said.add("forbids_nothing", f"plan.{key}")
        for name, given in pair.items():
            factor_known(key, name)
            levels = factors[name].levels if name in factors else None
            for level in given if isinstance(given, list) else [given]:
                if levels is not None:
                    said.unknown("forbids_no_level", f"plan.{key}.{name}", str(level), levels)
                elif name in factors and isinstance(level, str):
                    said.add("forbids_no_number", f"plan.{key}.{name}", level=level)
    if kind.one_factor and len(factors) > 1:
        said.add("plan_of_one_factor", "plan.kind", kind=plan.kind, factors=len(factors))
    if kind.blends:
        for name, factor in factors.items():
            if factor.low is None or factor.low < 0:
                said.add("mixture_bounds", f"factors.{name}")
        if len({factor.unit for factor in factors.values()}) > 1:
            said.add("mixture_units", "plan.kind")
    if factors and set(plan.hard_to_change or ()) >= set(factors):
        said.add("all_hard_to_change", "plan.hard_to_change")
    readings = [name for name in settings.tables() if name != "runs"]
    for name in plan.tables:
        said.unknown("plan_of_no_table", "plan.tables", name, readings)


def _check_responses(said: Complaints, settings: TrialSettings) -> None:
    """Names that collide, and keys that only a number of one's own has."""
    for name, asked in settings.responses.items():
        key, reserved = f"responses.{name}", TAKEN | (TABLES.keys() if asked.per == "piece" else set())
        if name in settings.factors:
            said.add("response_named_as_factor", key)
        elif name in MEASURES:
            for own in ("label", "unit", "scale", "per", "low", "high"):
                if getattr(asked, own) not in (None, ""):
                    said.add("response_known", f"{key}.{own}", own=own, name=name)
        elif name in reserved | {"piece"} or not plain_name(name):
            said.add("response_name", key)
        elif not asked.label:
            said.unknown("response_unknown", key, name, MEASURES)


_Place = tuple[str | int, ...]


def read_settings(folder: Path) -> tuple[TrialSettings | None, list[Problem]]:
    """Read and check `trial.toml`; return None with the problems when it cannot be used."""
    path = folder / FILE
    try:
        raw = tomllib.loads(unicodedata.normalize("NFC", bytes_of(path).decode("utf-8-sig")))
        hidden = [_hidden_sign(place, text) for place, text in _texts(raw) if HIDDEN.search(text)]
    except FileNotFoundError:
        trials = sorted(path.parent.name for path in folder.glob(f"*/{FILE}"))
        says = "holds_more_trials" if len(trials) > 3 else "holds_trials" if trials else "no_toml"
        return None, [problem(says, FILE, folder=folder.resolve().name, trials=", ".join(trials[:3]))]
    except BadInput as error:
        return None, list(error.problems)
    except UnicodeDecodeError:
        return None, [problem("toml_not_utf8", FILE)]
    except tomllib.TOMLDecodeError as error:
        return None, [problem("toml_unreadable", FILE, error=error)]
    except (ValueError, RecursionError):
        return None, [problem("toml_endless", FILE)]
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
    key = say("at_key", key=".".join(HIDDEN.sub("�", str(part)) for part in place))
    return problem("sign_hidden", FILE, column=key, shown=HIDDEN.sub("�", text)[:40])


def _problem(item: Any, raw: dict[str, Any]) -> Problem:
    """Say one pydantic complaint in plain words."""
    place, kind, given = item["loc"], item["type"], item["input"]
    bounds = {k: f"{each:g}" if isinstance(each, float) else each for k, each in item.get("ctx", {}).items()}
    told, says, do = {"given": given, **bounds}, f"toml_{kind}", ""
    if kind == "extra_forbidden":
        do = did_you_mean(str(place[-1]), _keys_beside(place[:-1]))
    elif kind.startswith("date"):
        says = "toml_date"
    elif kind == "string_pattern_mismatch" and place[-1] == "code":
        says = "toml_code"
    elif kind == "literal_error":
        choices = re.findall("'([^']*)'", item["ctx"]["expected"])
        told |= {"guess": did_you_mean(str(given), choices), "known": ", ".join(choices)}
    elif says not in texts(ENGLISH):  # in the words of pydantic
        says, told = "toml_other", {"fault": f"{item['msg'][0].lower()}{item['msg'][1:]}"}
    what, mend = (line.strip() for line in lines(says, **told | {"said": repr(given)[:60]}))
    key = _spoken(place, raw)
    return Problem(FILE, what, do or mend, column=say("at_key", key=key) if key else None)


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
