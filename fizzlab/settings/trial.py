"""What `trial.toml` may say: the question, the factors and how the readings are to be analysed.

The models refuse unknown keys, so that a misspelt wish is never silently ignored; `read_settings`
turns every complaint into a `Problem` in plain words, with the nearest right key suggested.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from fizzlab.problems import Problem, nearest
from fizzlab.settings.base import FILE, Name, Section, Text
from fizzlab.tables import SPECS
from fizzlab.terms import Amount, Category, Term


class FactorSettings(Section):
    """One thing that is changed on purpose: named `levels`, or numeric `amounts` in a `unit`."""

    levels: list[Name] | None = Field(default=None, min_length=2)
    control: Name | None = None
    amounts: list[float] | None = Field(default=None, min_length=2)
    unit: str = ""
    label: str = ""

    @model_validator(mode="after")
    def _one_kind(self) -> FactorSettings:
        if (self.levels is None) == (self.amounts is None):
            raise ValueError("give either levels (names) or amounts (numbers)")
        if self.levels is not None:
            if len({level.casefold() for level in self.levels}) < len(self.levels):
                raise ValueError("a level is named twice")
            if self.control is not None and self.control not in self.levels:
                raise ValueError(f"the control “{self.control}” is not one of its levels")
        if self.amounts is not None:
            if self.control is not None:
                raise ValueError("an amount has no control; take the key control out")
            if len(set(self.amounts)) < 2:
                raise ValueError("it needs two different amounts at least")
        return self


class AirPoint(Section):
    """Air for which to forecast."""

    temp_c: float = Field(ge=-5, le=45)
    rh_pct: float = Field(ge=1, le=99)


class DryingSettings(Section):
    """How dry times are analysed and forecast."""

    air: Literal["vpd", "rh and temperature", "none"] = "vpd"
    distribution: Literal["lognormal", "weibull", "loglogistic"] = "lognormal"
    shares: list[Annotated[float, Field(gt=0, lt=1)]] = Field(
        default=[0.5, 0.9, 0.95], min_length=1, max_length=6
    )
    night_hours: float = Field(default=12.0, gt=0, le=200)
    forecast_air: AirPoint | None = None
    remaining_share: float = Field(default=0.05, gt=0, lt=1)
    constant_loss_g_per_h: float = Field(default=0.02, gt=0, le=100)


class TrialSettings(Section):
    """The whole of `trial.toml`."""

    code: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")
    title: Text
    question: Text
    place: str = ""
    made_by: str = ""
    seed: int = Field(default=1, ge=0)
    factors: dict[str, FactorSettings] = {}
    drying: DryingSettings = DryingSettings()

    @model_validator(mode="after")
    def _factor_names(self) -> TrialSettings:
        taken = {column.name for column in SPECS["runs"].columns} | {
            "leave_out",
            "temp_c",
            "rh_pct",
            "vpd_kpa",
        }
        for name in self.factors:
            if name.casefold() in taken:
                raise ValueError(f"a factor may not be called “{name}”, a name fizzlab uses itself")
            if name != name.strip().casefold() or not name.replace("_", "").isalnum():
                raise ValueError(f"write the factor “{name}” in small letters, digits and _ only")
        return self

    def terms(self) -> list[Term]:
        """The factors as terms of a model, in the order of the file."""
        found: list[Term] = []
        for name, factor in self.factors.items():
            if factor.levels is not None:
                found.append(Category(name, tuple(factor.levels), factor.control or factor.levels[0]))
            else:
                found.append(Amount(name, factor.unit))
        return found

    def label(self, name: str) -> str:
        """The plain words for a factor, or its name."""
        factor = self.factors.get(name)
        return (factor.label if factor else "") or name.replace("_", " ")


def read_settings(folder: Path) -> tuple[TrialSettings | None, list[Problem]]:
    """Read and check `trial.toml`; return None with the problems when it cannot be used."""
    path = folder / FILE
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        return None, [Problem(FILE, "it is not in the folder.", "Write one with: fizzlab new FOLDER.")]
    except UnicodeDecodeError:
        return None, [Problem(FILE, "it is not plain UTF-8 text.", "Save it again as UTF-8.")]
    except tomllib.TOMLDecodeError as error:
        do = "Look there for a missing quotation mark, bracket or equals sign."
        return None, [Problem(FILE, f"it cannot be read: {error}.", do)]
    try:
        return TrialSettings.model_validate(raw), []
    except ValidationError as error:
        return None, [_problem(item, raw) for item in error.errors()]


def _problem(item: Any, raw: dict[str, Any]) -> Problem:
    """Say one pydantic complaint in plain words."""
    place = [str(part) for part in item["loc"]]
    key = ".".join(place)
    kind, context = item["type"], item.get("ctx", {})
    if kind == "extra_forbidden":
        guess = nearest(place[-1], _keys_beside(place[:-1]))
        do = f"Did you mean {guess}?" if guess else "Take it out."
        return Problem(FILE, "fizzlab knows no such key.", do, column=f"key {key}")
    if kind == "missing":
        return Problem(FILE, "the key is missing.", "Add it.", column=f"key {key}")
    if kind == "value_error":
        what = str(context["error"])
        return Problem(FILE, f"{what}.", "Change it.", column=f"key {key}" if key else None)
    if kind == "string_pattern_mismatch" and place[-1] == "code":
        do = "Use up to 40 letters, digits, - and _, beginning with a letter or digit."
        return Problem(FILE, f"“{item['input']}” cannot be a trial code.", do, column="key code")
    wanted = str(item["msg"])
    wanted = wanted[0].lower() + wanted[1:]
    return Problem(FILE, f"{wanted} (it says {item['input']!r}).", "Change it.", column=f"key {key}")


def _keys_beside(place: list[str]) -> list[str]:
    """The keys that are known at a place in the file."""
    if not place:
        return list(TrialSettings.model_fields)
    if place[0] == "factors":
        return list(FactorSettings.model_fields)
    section: Any = TrialSettings
    for part in place:
        known = section.model_fields.get(part) if hasattr(section, "model_fields") else None
        if known is None:
            return []
        section = known.annotation
        options = [kind for kind in getattr(section, "__args__", ()) if hasattr(kind, "model_fields")]
        section = options[0] if options else section
    return list(getattr(section, "model_fields", {}))
