"""Exports of hygrometers and scales: what their columns are, reading them, and adding them to a table.

`lay_out` finds the cells in the bytes of a file, `guess` says what the columns are and asks what it cannot
tell, `read` gives the readings on the workshop's clock in the units of the tables, and `into_room_log` and
`into_weighings` add those that are not there yet. `fizzlab.trial.importing` does all four with files.
"""

from fizzlab.trial.exports.guess import Guess, Question, Told, guess
from fizzlab.trial.exports.layout import Layout, lay_out
from fizzlab.trial.exports.merge import Merged, Standing, into_room_log, into_weighings
from fizzlab.trial.exports.read import Readings, read

__all__ = [
    "Guess",
    "Layout",
    "Merged",
    "Question",
    "Readings",
    "Standing",
    "Told",
    "guess",
    "into_room_log",
    "into_weighings",
    "lay_out",
    "read",
]
