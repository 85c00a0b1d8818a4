"""Terms: which of them can be told apart."""

from __future__ import annotations

import pandas as pd

from fizzlab.models.terms import Amount, Category, varying

OIL, ALCOHOL, EMULSIFIER = Amount("oil", "g"), Amount("alcohol", "g"), Amount("emulsifier", "g")


def test_amounts_of_one_total_give_up_the_last() -> None:
    batches = pd.DataFrame({"oil": [2.0, 3, 4], "alcohol": [5.0, 3.99, 2], "emulsifier": [3.0, 3.01, 4]})
    kept, notes = varying([OIL, ALCOHOL, EMULSIFIER], batches)
    assert [term.name for term in kept] == ["oil", "alcohol"]
    assert any("emulsifier is what the other amounts leave of the same total" in note for note in notes)


def test_free_amounts_and_amounts_in_other_units_all_stay() -> None:
    batches = pd.DataFrame({"oil": [2.0, 3, 4], "alcohol": [5.0, 4, 5], "heat": [30.0, 20, 10]})
    kept, notes = varying([OIL, ALCOHOL, Amount("heat", "°C")], batches)
    assert [term.name for term in kept] == ["oil", "alcohol", "heat"]
    assert notes == []


def test_what_does_not_vary_is_said() -> None:
    batches = pd.DataFrame({"colour": ["dye", "dye"], "oil": [1.0, 2.0]})
    kept, notes = varying([Category("colour", ("dye", "lake"), "dye"), OIL], batches)
    assert [term.name for term in kept] == ["oil"]
    assert notes == ["Every batch had the same colour, so its effect is not known."]
