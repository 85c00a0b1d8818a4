"""An export as it was read, in sentences, for the maker to confirm."""

from __future__ import annotations

import pandas as pd

from fizzlab.trial.importing import Prepared

_HOLDS = {"date": "date", "time": "time", "temp": "temperature", "rh": "humidity", "mass": "mass"}


def as_read(ready: Prepared, examples: int = 3) -> list[str]:
    """What the columns were taken for, some rows as read, what was passed over, and what would be added.

    Parameters
    ----------
    ready : Prepared
    examples : int
        Rows to show, from the first, the middle and the last.
    """
    mapping, readings = ready.mapping, ready.readings
    said = [f"{readings.where}, as it is read:"]
    for key, column in mapping.columns().items():
        unit = getattr(mapping, f"{key}_unit", None) or (mapping.dates if key in ("date", "time") else "")
        said.append(f"  {_HOLDS[key]:<12} “{column}”, {unit}")
    if mapping.zone:
        said.append(
            f"  {'clock':<12} {mapping.zone}" + (f", device at {mapping.offset}" if mapping.offset else "")
        )
    if ready.look.guess.ignored:
        said.append(f"  {'not read':<12} {', '.join(ready.look.guess.ignored)}")
    rows = readings.rows
    places = sorted({round(i * (len(rows) - 1) / max(examples - 1, 1)) for i in range(examples)})
    for place in places:
        row = int(rows.index[place])
        cells = ready.look.layout.cells
        written = [str(cells[column][row]) for column in mapping.columns().values()]
        said.append(f"  row {row}: {' | '.join(written)}  is  {_row(rows.iloc[place])}")
    said += [*ready.look.guess.reasons, *readings.said, *ready.merged.said]
    merged = ready.merged
    held = f"; {merged.held} stand there already" if merged.held else ""
    noun = "reading" if merged.added == 1 else "readings"
    said.append(f"To be added to {ready.target}: {merged.added} {noun}{held}.")
    return said


def _row(row: pd.Series) -> str:
    values = {"temp_c": "°C", "rh_pct": "%", "mass_g": "g"}
    measured = ", ".join(f"{row[name]:g} {unit}" for name, unit in values.items() if name in row.index)
    return f"{row['time']:%Y-%m-%d %H:%M:%S}, {measured}"
