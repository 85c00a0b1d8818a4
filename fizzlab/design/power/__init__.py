"""What a plan can detect, by simulation through the analysis of the report; when to look."""

from fizzlab.design.power.chances import Chance, Simulation, Smallest, number_simulation, touch_simulation
from fizzlab.design.power.numbertrials import exact_chance, joint_seen, number_fits, number_verdicts
from fizzlab.design.power.schedule import Schedule, equal_ratio_looks, information_kept, schedule_looks
from fizzlab.design.power.shape import Effect, Structure, structure
from fizzlab.design.power.spreads import ASSUMED, Spreads
from fizzlab.design.power.touchtrials import TouchChecks, Verdicts

__all__ = [
    "ASSUMED",
    "Chance",
    "Effect",
    "Schedule",
    "Simulation",
    "Smallest",
    "Spreads",
    "Structure",
    "TouchChecks",
    "Verdicts",
    "equal_ratio_looks",
    "exact_chance",
    "information_kept",
    "joint_seen",
    "number_fits",
    "number_simulation",
    "number_verdicts",
    "schedule_looks",
    "structure",
    "touch_simulation",
]
