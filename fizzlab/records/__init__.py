"""What a report was made from, and the ledger that keeps it: a line an entry, each with the hash of the one
before.

`making` gives a folder to write in, `keep` makes a record of it; `correct` and `sign` add to a record
without touching it; `verify` says what no longer agrees. What the chain of hashes proves stands in
docs/methods/records.md.
"""

from fizzlab.records.find import find, one, summaries
from fizzlab.records.ledger import DeviationEntry, canonical, read_ledger, sha256
from fizzlab.records.store import (
    INPUTS,
    About,
    Signed,
    Stamp,
    correct,
    day_of,
    fingerprint,
    fingerprints,
    keep,
    kept_as,
    making,
    name_of,
    now,
    planning,
    sign,
    signed,
    versions,
)
from fizzlab.records.verify import is_sound, records_home, since_the_one_before, trials_with_records, verify

__all__ = [
    "INPUTS",
    "About",
    "DeviationEntry",
    "Signed",
    "Stamp",
    "canonical",
    "correct",
    "day_of",
    "find",
    "fingerprint",
    "fingerprints",
    "is_sound",
    "keep",
    "kept_as",
    "making",
    "name_of",
    "now",
    "one",
    "planning",
    "read_ledger",
    "records_home",
    "sha256",
    "sign",
    "signed",
    "since_the_one_before",
    "summaries",
    "trials_with_records",
    "verify",
    "versions",
]
