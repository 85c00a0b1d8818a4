"""Text that a spreadsheet would obey: how it is written into CSV files, and read back as it was."""

from __future__ import annotations

import re

#: A cell that begins so is taken for a formula by one spreadsheet or another, also behind spaces; the wide
#: signs are those of East Asian keyboards.
STARTS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")


def obeyed(text: str) -> bool:
    """Would a spreadsheet take the text for a formula? A number alone is none.

    Examples
    --------
    >>> obeyed("=2+2"), obeyed(" @SUM(A1)"), obeyed("-5"), obeyed("- gum"), obeyed("pearl")
    (True, True, False, True, False)
    """
    return text.lstrip(" ").startswith(STARTS) and not _NUMBER.fullmatch(text.strip())


def guarded(text: str) -> str:
    """The text for a cell of a CSV file, with an apostrophe before it where it would be obeyed.

    Examples
    --------
    >>> guarded("=2+2"), guarded("pearl")
    ("'=2+2", 'pearl')
    """
    return f"'{text}" if obeyed(text) else text


def unguarded(text: str) -> str:
    """What was meant by a cell that `guarded` wrote.

    Examples
    --------
    >>> unguarded("'=2+2"), unguarded("'tis dry")
    ('=2+2', "'tis dry")
    """
    return text[1:] if text.startswith("'") and obeyed(text[1:]) else text
