"""The whole of `trial.toml` as one model."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from fizzlab.measures import MEASURES, TABLES, Column, Measure, TableSpec, tables
from fizzlab.models.terms import Amount, Category, Term
from fizzlab.recipe import Recipe
from fizzlab.trial.settings.base import FactorSettings, Name, Section, Text
from fizzlab.trial.settings.crumble import CrumbleSettings
from fizzlab.trial.settings.fizz import FizzSettings
from fizzlab.trial.settings.plan import PlanSettings
from fizzlab.trial.settings.recipe import RecipeSettings, make_recipe
from fizzlab.trial.settings.sections import (
    ChooseSettings,
    ConfirmsSettings,
    DeviationSettings,
    DryingSettings,
    EarlierSettings,
    ImportSettings,
    Lots,
    ResponseSettings,
    plain_name,
)

#: Names that neither a factor nor a response of the maker's own may have.
TAKEN = frozenset(
    {column.name for column in TABLES["runs"].columns} | {"leave_out", "temp_c", "rh_pct", "vpd_kpa"}
)


def factor_name_fault(name: str) -> str:
    """Why a factor cannot have a name; empty where it can.

    Examples
    --------
    >>> factor_name_fault("Colour")
    'write the factor “Colour” in small letters, digits and _ only'
    >>> factor_name_fault("colour")
    ''
    """
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
    seed: int = Field(default=1, ge=0)
    factors: dict[str, FactorSettings] = Field(default_factory=dict)
    lots: dict[Name, Lots] = Field(default_factory=dict)
    deviations: list[DeviationSettings] = Field(default_factory=list, max_length=200)
    recipe: RecipeSettings | None = None
    plan: PlanSettings | None = None
    drying: DryingSettings = DryingSettings()
    fizz: FizzSettings = FizzSettings()
    crumble: CrumbleSettings = CrumbleSettings()
    responses: dict[str, ResponseSettings] = Field(default_factory=dict)
    choose: ChooseSettings = ChooseSettings()
    imports: dict[Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")], ImportSettings] = Field(
        default_factory=dict
    )
    earlier: EarlierSettings | None = None
    confirms: ConfirmsSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _question(cls, written: Any) -> Any:
        """[question] with its text, what it is about and which way is wanted, instead of the text alone."""
        asked = written.get("question") if isinstance(written, dict) else None
        if not isinstance(asked, dict) or not set(asked) <= {"text", "about", "want"}:
            return written
        told = {key: value for key, value in asked.items() if key != "text"}
        return {**written, **told, "question": asked.get("text", "")}

    @model_validator(mode="after")
    def _factor_names(self) -> TrialSettings:
        for name in self.factors:
            fault = factor_name_fault(name)
            if fault:
                raise ValueError(fault)
        return self

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
        return MEASURES | own

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
        return found | {"runs": replace(runs, columns=(*runs.columns, *more))}

    def measure(self, response: str) -> Measure:
        """How a response is spoken of and compared: one of `MEASURES`, or the maker's own."""
        return self.measures()[response]

    def own_responses(self) -> list[str]:
        """The responses that are columns of `runs`."""
        return [each.column for each in self.measures().values() if each.table == "runs"]

    def made_recipe(self) -> Recipe | None:
        """The recipe with its rules, or None where trial.toml has none; see `make_recipe`."""
        return None if self.recipe is None else make_recipe(self.recipe, self.factors)

    def label(self, name: str) -> str:
        """The plain words for a factor, or its name without the unit that ends it."""
        factor = self.factors.get(name)
        plain = name.removesuffix(f"_{factor.unit}") if factor and factor.unit else name
        return (factor.label if factor else "") or plain.replace("_", " ")
