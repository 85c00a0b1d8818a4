"""Logging at the bench, without buttons: readings go into the trial's own tables one at a time, safely.

`Logbook.open` takes a trial folder; each method that logs checks the reading as the door would, writes it
into the journal (then it is safe) and into its table. `fizzlab.bench.buttons` puts buttons on it.
"""

from fizzlab.bench.logbook.book import Logbook, Look, Said, Tray
from fizzlab.bench.logbook.practice import practice_folder
from fizzlab.bench.logbook.state import Running

__all__ = ["Logbook", "Look", "Running", "Said", "Tray", "practice_folder"]
