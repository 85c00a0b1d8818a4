"""What a report was made from, and the ledger that keeps it: a line an entry, each with the hash of the one
before.

`making` gives a folder to write in, `keep` makes a record of it; `correct` and `sign` add to a record
without touching it; `verify` says what no longer agrees. What the chain of hashes proves stands in
docs/methods/records.md.
"""

from __future__ import annotations

from fizzlab.records.amend import correct, day_of, sign
from fizzlab.records.entries import (
    Correction,
    DeviationEntry,
    Entry,
    Report,
    SignOff,
    canonical,
    sha256,
)
from fizzlab.records.fingerprints import LIBRARIES, fingerprint, fingerprints, versions
from fizzlab.records.ledger import LEDGER, Ledger, Line, read_ledger
from fizzlab.records.store import INPUTS, About, Kept, Signed, Stamp, keep, making
from fizzlab.records.verify import Fault, Verified, records_home, verify

__all__ = [
    "INPUTS",
    "LEDGER",
    "LIBRARIES",
    "About",
    "Correction",
    "DeviationEntry",
    "Entry",
    "Fault",
    "Kept",
    "Ledger",
    "Line",
    "Report",
    "SignOff",
    "Signed",
    "Stamp",
    "Verified",
    "canonical",
    "correct",
    "day_of",
    "fingerprint",
    "fingerprints",
    "keep",
    "making",
    "read_ledger",
    "records_home",
    "sha256",
    "sign",
    "verify",
    "versions",
]
