"""The sections of a report: each function gives one, a `Part`, which shows itself at the end of a notebook's cell."""

from collections.abc import Callable
from functools import wraps
from typing import TypeVar

from fizzlab.report.page import Part
from fizzlab.report.parts import changed, choose, confirm, general
from fizzlab.report.parts import crumble as _crumble
from fizzlab.report.parts import drying as _drying
from fizzlab.report.parts import fizz as _fizz
from fizzlab.report.parts import front as _front
from fizzlab.report.parts import season as _season
from fizzlab.report.parts.season import across_trials as across_trials

Told = TypeVar("Told")


def part(section: Callable[[Told], list[object]]) -> Callable[[Told], Part]:
    """A section whose pieces show themselves."""

    @wraps(section)
    def shown(told: Told) -> Part:
        return Part(section(told))

    return shown


front, more = part(_front.front), part(_front.more)
what_changed, in_detail = part(changed.what_changed), part(changed.in_detail)
typical_values, worked_out = part(changed.typical_values), part(changed.worked_out)
choice, confirmed = part(choose.choice), part(confirm.confirmed)
drying, by_weight = part(_drying.drying), part(_drying.by_weight)
crumble, fizz, season = part(_crumble.crumble), part(_fizz.fizz), part(_season.season)
opening, left_out, record_block = part(general.opening), part(general.left_out), part(general.record_block)
