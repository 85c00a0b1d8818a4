"""What every section of `trial.toml` has in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

FILE = "trial.toml"

Text = Annotated[str, Field(min_length=1, max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]


class Section(BaseModel):
    """A section that refuses unknown keys, so that a misspelt wish is never silently ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
