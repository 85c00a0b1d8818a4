"""fizzlab: trials for small bath-fizzer makers, from a folder of readings to a report.

The rooms of the house are modules; import the one you need, for example
``from fizzlab import trial, cure, plots``. Nothing heavy is imported here, so the
``fizzlab`` command starts at once.
"""

__version__ = "0.1.0"
