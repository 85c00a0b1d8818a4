"""The sections of a report: each function gives its pieces in reading order, and a notebook cell shows them."""

from functools import partial

from fizzlab.report.parts.batches import batch_by_batch as batch_by_batch
from fizzlab.report.parts.changed import compared as compared
from fizzlab.report.parts.changed import in_detail as in_detail
from fizzlab.report.parts.changed import subject
from fizzlab.report.parts.changed import typical_values as typical_values
from fizzlab.report.parts.changed import what_changed as what_changed
from fizzlab.report.parts.changed import worked_out as worked_out
from fizzlab.report.parts.choose import choice as choice
from fizzlab.report.parts.confirm import confirmed as confirmed
from fizzlab.report.parts.drying import by_weight as by_weight
from fizzlab.report.parts.front import front as front
from fizzlab.report.parts.front import more as more
from fizzlab.report.parts.general import left_out as left_out
from fizzlab.report.parts.general import opening as opening
from fizzlab.report.parts.general import record_block as record_block
from fizzlab.report.parts.repeat import good_test as good_test
from fizzlab.report.parts.season import across_trials as across_trials
from fizzlab.report.parts.season import season as season

drying, crumble, fizz = (partial(subject, section=name) for name in ("drying", "crumble", "fizz"))
others = partial(subject, section="")
