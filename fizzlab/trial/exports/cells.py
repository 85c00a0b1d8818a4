"""Numbers with a unit glued to them, and the names of units and columns in several languages."""

from __future__ import annotations

import re
import unicodedata

import numpy as np
import pandas as pd

#: What loggers write where there was no reading.
NO_READING = frozenset(
    {
        "",
        "-",
        "--",
        "---",
        "----",
        "n/a",
        "na",
        "n.a.",
        "nan",
        "null",
        "none",
        "err",
        "error",
        "ol",
        "lo",
        "hi",
    }
)

#: Units by how they are written, without spaces, brackets and points.
UNITS = {
    **dict.fromkeys(("°c", "ºc", "˚c", "℃", "c", "degc", "celsius", "�c", "â°c", "grad"), "°C"),
    **dict.fromkeys(("°f", "ºf", "˚f", "℉", "f", "degf", "fahrenheit", "�f", "â°f"), "°F"),
    **dict.fromkeys(
        ("%", "%rh", "rh%", "%rf", "rf%", "%rel", "%hr", "hr%", "%ur", "ur%", "rh", "percent"), "%"
    ),
    **dict.fromkeys(("g", "gr", "gram", "grams", "gramm", "grammes", "gramos", "grammi"), "g"),
    **dict.fromkeys(("kg", "kilogram", "kilograms", "kilogramm"), "kg"),
    **dict.fromkeys(("oz", "ounce", "ounces"), "oz"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "lb"),
}

KINDS = {"temp": ("°C", "°F"), "rh": ("%",), "mass": ("g", "kg", "oz", "lb")}

#: How words begin that name a column, by what it holds: English, German, French, Spanish, Portuguese,
#: Italian, Dutch, the Scandinavian languages, Polish, Czech and Finnish. A point at the end: the whole word.
WORDS = {
    "time": (
        *(
            "time",
            "stamp",
            "clock",
            "zeit",
            "uhrzeit",
            "messzeit",
            "hora",
            "heure",
            "horodat",
            "ora.",
            "orario",
        ),
        *(
            "tijd",
            "tid.",
            "tidpunkt",
            "tidsp",
            "klock",
            "klokk",
            "czas",
            "godzin",
            "aika",
            "kello",
            "cas.",
            "unix",
        ),
    ),
    "date": (
        *("date", "datum", "fecha", "data.", "dato.", "giorno", "day.", "tag.", "jour", "dia.", "dzien"),
        *("paiva", "pvm.", "den."),
    ),
    "temp": ("temp", "celsius", "fahrenheit", "teplota", "lampotila", "t."),
    "rh": (
        *(
            "humid",
            "hum.",
            "rh.",
            "feucht",
            "luftfeucht",
            "relf",
            "rf.",
            "rel.",
            "humed",
            "hr.",
            "umid",
            "ur.",
        ),
        *("vochtig", "luchtvocht", "luftfukt", "fukt", "fugtig", "luftfugt", "wilgotn", "kosteus", "vlhkost"),
        *("hygro", "hygr."),
    ),
    "mass": (
        *(
            "mass",
            "weight",
            "weigh",
            "gewicht",
            "masa",
            "peso",
            "poids",
            "vikt",
            "vaegt",
            "vægt",
            "vekt",
            "waga",
        ),
        *("hmotnost", "paino", "net.", "netto", "brutto", "gross", "gram"),
    ),
}

#: Words of a column that holds something else, whatever its other words.
OTHER_THINGS = (
    *(
        "dew",
        "taup",
        "rosee",
        "rocio",
        "rugiada",
        "orvalho",
        "dauw",
        "dagg",
        "dugp",
        "duggp",
        "rosy",
        "kastep",
    ),
    *("abs", "vpd", "deficit", "index", "humidex", "feel", "gefuhlt", "ressenti", "wet", "bulb", "frost"),
    *(
        "max",
        "min.",
        "mini",
        "minimum",
        "alarm",
        "set.",
        "setpoint",
        "soll",
        "limit",
        "battery",
        "batt",
        "akku",
    ),
    *("pressure", "druck", "tara", "tare", "target", "elapsed", "duration", "dauer", "interval"),
)


def fold(name: str) -> list[str]:
    """The words of a name in small letters without accents; a degree sign or a per cent is a word too.

    Examples
    --------
    >>> fold("Humidité relative (%)"), fold("Temperature °F"), fold("temp_c")
    (['humidite', 'relative', 'percent'], ['temperature', 'fahrenheit'], ['temp', 'c'])
    """
    spelled = re.sub(r"[°º˚�]\s*c\b|℃", " celsius ", name, flags=re.IGNORECASE)
    spelled = re.sub(r"[°º˚�]\s*f\b|℉", " fahrenheit ", spelled, flags=re.IGNORECASE).replace(
        "%", " percent "
    )
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", unicodedata.normalize("NFKD", spelled))
    plain = "".join(letter for letter in apart.casefold() if not unicodedata.combining(letter))
    return re.findall(r"[^\W\d_]+", plain)


def named(words: list[str], starts: tuple[str, ...]) -> bool:
    """Does a word begin, or with a point end, as one of `starts`?"""
    return any(
        word == start[:-1] if start.endswith(".") else word.startswith(start)
        for word in words
        for start in starts
    )


def unit_named(text: str, kind: str) -> str | None:
    """The unit that a header or a cell of units names, such as "Temp (°F)" or "mass_g"."""
    whole = UNITS.get(_bare(text))
    if whole in KINDS[kind]:
        return whole
    found = {UNITS.get(word if word != "percent" else "%") for word in fold(text)} & set(KINDS[kind])
    return found.pop() if len(found) == 1 else None


def _bare(text: str) -> str:
    return re.sub(r"[\s.()\[\]]", "", text).casefold()


_NUMBER = r"^([+\-−]?\s?\d+(?:[.,]\d*)?|[+\-−]?[.,]\d+)\s*([^\d]*)$"


def numbers(text: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Numbers and the units glued to them.

    Parameters
    ----------
    text : Series of str

    Returns
    -------
    values : Series of float
        NaN where the cell is no number, alone or with a unit behind it. A comma is a decimal comma.
    units : Series of str
        A unit, "?" where it is none that is known, or an empty text.

    Examples
    --------
    >>> values, units = numbers(pd.Series(["21.5 °C", "64%rh", "20,1", "--", "1.234,5"]))
    >>> values.tolist(), units.tolist()
    ([21.5, 64.0, 20.1, nan, nan], ['°C', '%', '', '', ''])
    """
    parts = text.str.extract(_NUMBER)
    plain = parts[0].str.replace(r"[−]", "-", regex=True).str.replace(" ", "").str.replace(",", ".")
    values = pd.to_numeric(plain, errors="coerce").astype(float)
    glued = parts[1].fillna("").str.strip()
    known = {unit: UNITS.get(_bare(unit), "?") if unit else "" for unit in glued.unique()}
    units = glued.map(known)
    odd = units == "?"
    return values.where(~odd & np.isfinite(values)), units


def is_missing(text: pd.Series) -> pd.Series:
    """Which cells say that there was no reading?"""
    return text.str.casefold().isin(NO_READING)
