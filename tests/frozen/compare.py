"""Compare two findings.json, number by number: compare.py [--sentences] [--tolerance 1e-6] OLD.json NEW.json

Findings are matched by `topic` (and by their order where a topic comes several times). Of each, every number
and every word of the old one is looked up in the new one. Added keys are tolerated: they are counted as new
only where they hold a number that was not there. Sentences are compared only with --sentences; without it a
change of words alone is merely counted. Exit 1 if a number differs or is gone.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from pathlib import Path

WORDS = ("sentence",)


def findings(path):
    """The list of findings, whether the file is that list or holds it under a key."""
    data = json.loads(Path(path).read_text(encoding="utf-8"))
    if isinstance(data, dict):
        lists = [
            value
            for value in data.values()
            if isinstance(value, list) and value and isinstance(value[0], dict)
        ]
        if "findings" in data:
            data = data["findings"]
        elif len(lists) == 1:
            data = lists[0]
        else:
            sys.exit(f"{path}: which list holds the findings?")
    return data


def name_of(finding):
    for key in ("topic", "name", "id"):
        if key in finding:
            return str(finding[key])
    parts = [
        str(finding[key]) for key in ("kind", "measure", "term", "level") if isinstance(finding.get(key), str)
    ]
    return ".".join(parts) or "?"


def flat(value, place=""):
    """Every leaf of nested lists and dicts with the way to it."""
    if isinstance(value, dict):
        for key, each in value.items():
            yield from flat(each, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list):
        for i, each in enumerate(value):
            yield from flat(each, f"{place}[{i}]")
    else:
        yield place, value


def by_name(items):
    seen, found = Counter(), {}
    for item in items:
        name = name_of(item)
        seen[name] += 1
        key = name if seen[name] == 1 else f"{name} #{seen[name]}"
        found[key] = dict(flat(item))
    return found


def number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def close(old, new, tolerance):
    if math.isnan(old) or math.isnan(new):
        return math.isnan(old) and math.isnan(new)
    if math.isinf(old) or math.isinf(new):
        return old == new
    return abs(old - new) <= tolerance * max(abs(old), abs(new))


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("old")
    asked.add_argument("new")
    asked.add_argument("--tolerance", type=float, default=1e-6)
    asked.add_argument("--sentences", action="store_true", help="print sentences that differ, too")
    given = asked.parse_args()
    old, new = by_name(findings(given.old)), by_name(findings(given.new))
    same = differs = gone = added = words = facts = 0

    for name, before in old.items():
        if name not in new:
            numbers = {
                key: value
                for key, value in before.items()
                if number(value) and key not in ("level", "batches")
            }
            gone += sum(number(value) for value in before.values())
            said = ", ".join(f"{key} {value:.10g}" for key, value in numbers.items()) or "no number"
            print(f"   GONE     {name}: {said}")
            continue
        after = new[name]
        for key, value in before.items():
            other = after.get(key)
            if number(value) and number(other):
                if close(value, other, given.tolerance):
                    same += 1
                else:
                    differs += 1
                    size = max(abs(value), abs(other))
                    share = f"{(other - value) / size:+.2e}" if size else "0"
                    print(f"   DIFFERS  {name} {key}: {value!r} -> {other!r} ({share})")
            elif number(value):
                gone += 1
                print(f"   GONE     {name} {key}: {value!r} -> {other!r}")
            elif number(other):
                added += 1
                print(f"   NEW      {name} {key}: {value!r} -> {other!r}")
            elif key not in after:
                if value is not None:
                    facts += 1
                    print(f"   LOST     {name} {key}: {value!r}")
            elif value != other:
                if key.split(".")[0] in WORDS:
                    words += 1
                    if given.sentences:
                        print(f"   SAID     {name}\n     - {value}\n     + {other}")
                else:
                    facts += 1
                    print(f"   CHANGED  {name} {key}: {value!r} -> {other!r}")
        for key in after.keys() - before.keys():
            if number(after[key]):
                added += 1
                print(f"   NEW      {name} {key}: {after[key]!r}")
    for name, after in new.items():
        if name not in old:
            numbers = {
                key: value
                for key, value in after.items()
                if number(value) and key not in ("level", "batches")
            }
            added += sum(number(value) for value in after.values())
            said = ", ".join(f"{key} {value:.10g}" for key, value in numbers.items()) or "no number"
            print(f"   NEW      {name}: {said}")

    more = f"; words: {words} sentences, {facts} other facts differ" if words or facts else ""
    print(f"   same {same}, differs {differs}, gone {gone}, new {added}{more}")
    return 1 if differs or gone or facts else 0


if __name__ == "__main__":
    sys.exit(main())
