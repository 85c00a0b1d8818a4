"""Names that look alike and are not the same: ``1``, ``01`` and ``1.0``; letters of two alphabets."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

import pandas as pd

from fizzlab.errors import did_you_mean

#: Cyrillic and Greek letters that look like Latin ones, beside those.
_TWINS = str.maketrans("авеіјкмнорѕстухѵԁԛԝαβεικνορτυχ", "abeijkmhopsctyxvdqwabeikvoptux")


def shape(name: str) -> str:
    """What is left of a name when capitals, spaces, alphabets, zeros before and after a number do not count.

    >>> shape("А 01"), shape("a1.0"), shape("B10")  # the first is Cyrillic
    ('a1', 'a1', 'b10')
    """
    folded = unicodedata.normalize("NFKC", name).casefold().translate(_TWINS)
    folded = re.sub(r"(?<=\d)[il]", "1", re.sub(r"(?<=\d)o", "0", folded))
    return re.sub(r"(?<![\d.])0+(?=\d)|(?<=\d)[.,]0+(?!\d)|\s", "", folded)


def alike(
    rows: pd.DataFrame, column: str, within: Sequence[str] = (), capitals: bool = False
) -> pd.DataFrame:
    """The rows whose name looks like another further up, and is not the same, with that one as `known`.

    Names that differ in capitals alone are left out, unless `capitals` count as a slip too.
    """
    keys = [*(rows[name] for name in within), rows[column].map(shape)]
    known = rows.groupby(keys, sort=False)[column].transform("first")
    other = rows[column] != known
    if not capitals:
        other &= rows[column].str.casefold() != known.str.casefold()
    return rows.assign(known=known)[other]


def meant(name: str, known: Iterable[str], otherwise: str) -> str:
    """What to do about a name that is none of those known: one that looks the same, or is near, or else."""
    known = list(known)
    twin = next((each for each in known if shape(each) == shape(name)), None)
    if twin is not None and twin.casefold() != name.casefold():
        other = "a letter of another alphabet" if not name.isascii() else "other zeros or spaces"
        return f"It looks like {twin}, but has {other}: write it the same."
    return did_you_mean(name, known, otherwise)
