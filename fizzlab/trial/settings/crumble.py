"""The section [crumble] of `trial.toml`: how tumbles, drops and scores are analysed, and a stated index."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, model_validator

from fizzlab.trial.settings.base import Section


class IndexPart(Section):
    """One part of the crumble index; every key must be stated."""

    weight: float = Field(gt=0, le=1)
    best: float
    worst: float

    @model_validator(mode="after")
    def _apart(self) -> IndexPart:
        if self.best == self.worst:
            raise ValueError("best and worst must be two different numbers")
        return self


class IndexSettings(Section):
    """The parts that make up the index: batch means of the loss, of the broken pieces, of the scores."""

    loss_pct: IndexPart | None = None
    broken_pct: IndexPart | None = None
    score: IndexPart | None = None

    @model_validator(mode="after")
    def _whole(self) -> IndexSettings:
        parts = self.parts()
        if not parts:
            raise ValueError("an index needs parts, each with weight, best and worst")
        total = sum(part.weight for part in parts.values())
        if abs(total - 1) > 1e-9:
            raise ValueError(f"the weights of the index add up to {total:g}, not to 1")
        return self

    def parts(self) -> dict[str, IndexPart]:
        """The stated parts by name."""
        named = {"loss_pct": self.loss_pct, "broken_pct": self.broken_pct, "score": self.score}
        return {name: part for name, part in named.items() if part is not None}


#: Keys that older trials may hold, and why there is nothing left to choose.
_GONE = {
    "tumble_scale": "losses are always compared as ratios",
    "drop_scale": "breaking heights are always compared as ratios",
}


class CrumbleSettings(Section):
    """How crumbling is analysed."""

    scale_step_g: float | None = Field(default=None, gt=0, le=100)
    drop_method: Literal["jeffreys", "likelihood"] = "jeffreys"
    survive: float = Field(default=0.9, gt=0.5, lt=1)
    index: IndexSettings | None = None

    @model_validator(mode="before")
    @classmethod
    def _no_longer(cls, raw: Any) -> Any:
        gone = [name for name in _GONE if isinstance(raw, dict) and name in raw]
        if gone:
            raise ValueError(f"{gone[0]} has gone, for {_GONE[gone[0]]}; take the line out")
        return raw
