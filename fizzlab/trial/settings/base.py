"""What the sections of `trial.toml` have in common, and the factors that several of them name."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

FILE = "trial.toml"

Text = Annotated[str, Field(min_length=1, max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]


class Section(BaseModel):
    """A section that refuses unknown keys, so that a misspelt wish is never silently ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class FactorSettings(Section):
    """One thing that is changed on purpose from batch to batch: named `levels`, or numbers in a `unit`.

    Numbers are given as `amounts` (just these), as a range from `low` to `high` (a plan chooses where),
    or as both.
    """

    levels: list[Name] | None = Field(default=None, min_length=2)
    control: Name | None = None
    amounts: list[float] | None = Field(default=None, min_length=2)
    low: float | None = None
    high: float | None = None
    unit: str = ""
    label: str = ""

    @model_validator(mode="after")
    def _one_kind(self) -> FactorSettings:
        if (self.levels is None) == (self.amounts is None and self.low is None and self.high is None):
            raise ValueError("give either levels (names) or amounts (numbers), or low and high")
        if (self.low is None) != (self.high is None):
            raise ValueError("low and high belong together")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("low must be less than high")
        if self.levels is not None:
            if len({level.casefold() for level in self.levels}) < len(self.levels):
                raise ValueError("a level is named twice")
            if self.control is not None and self.control not in self.levels:
                raise ValueError(f"the control “{self.control}” is not one of its levels")
        elif self.control is not None:
            raise ValueError("an amount has no control; take the key control out")
        if self.amounts is not None and len(set(self.amounts)) < 2:
            raise ValueError("it needs two different amounts at least")
        if self.amounts is not None and self.low is not None and self.high is not None:
            outside = [amount for amount in self.amounts if not self.low <= amount <= self.high]
            if outside:
                raise ValueError(f"the amount {outside[0]:g} lies outside low and high")
        return self

    @property
    def numeric(self) -> bool:
        """Is it given in numbers rather than named levels?"""
        return self.levels is None

    def range(self) -> tuple[float, float]:
        """The lowest and the highest number that it may take; named levels have none (ValueError)."""
        if self.levels is not None:
            raise ValueError("a factor with named levels has no range")
        ends = [*(self.amounts or []), *(end for end in (self.low, self.high) if end is not None)]
        return min(ends), max(ends)
