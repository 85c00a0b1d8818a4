"""Names that look alike and are not the same: ``1``, ``01`` and ``1.0``; letters of two alphabets."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

import pandas as pd

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
    """The rows whose name only looks like another further up (`known`); `capitals` alone need not count."""
    shapes = rows[column].map({name: shape(name) for name in rows[column].unique()})
    keys = [*(rows[name] for name in within), shapes]
    known = rows.groupby(keys, sort=False)[column].transform("first")
    other = rows[column] != known
    if not capitals:
        other &= rows[column].str.casefold() != known.str.casefold()
    return rows.assign(known=known)[other]
