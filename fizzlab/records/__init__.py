"""What a report was made from, and the ledger that keeps it: a line an entry, each with the hash of the one
before.

`making` gives a folder to write in, `keep` makes a record of it; `correct` and `sign` add to a record
without touching it; `verify` says what no longer agrees. What the chain of hashes proves stands in
docs/methods/records.md.
"""

from __future__ import annotations

from fizzlab.records.amend import correct, day_of, sign, signed
from fizzlab.records.entries import (
    Correction,
    DeviationEntry,
    Entry,
    PlanEntry,
    Report,
    SignOff,
    canonical,
    sha256,
)
from fizzlab.records.find import Found, Summary, find, one, summaries, trial_folders
from fizzlab.records.fingerprints import LIBRARIES, fingerprint, fingerprints, kept_as, name_of, versions
from fizzlab.records.ledger import LEDGER, Ledger, Line, read_ledger
from fizzlab.records.planned import planning
from fizzlab.records.store import INPUTS, About, Kept, Signed, Stamp, keep, making
from fizzlab.records.verify import (
    Fault,
    Verified,
    is_sound,
    records_home,
    since_the_one_before,
    trials_with_records,
    verify,
)

__all__ = [
    "INPUTS",
    "LEDGER",
    "LIBRARIES",
    "About",
    "Correction",
    "DeviationEntry",
    "Entry",
    "Fault",
    "Found",
    "Kept",
    "Ledger",
    "Line",
    "PlanEntry",
    "Report",
    "SignOff",
    "Signed",
    "Stamp",
    "Summary",
    "Verified",
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
    "one",
    "planning",
    "read_ledger",
    "records_home",
    "sha256",
    "sign",
    "signed",
    "since_the_one_before",
    "summaries",
    "trial_folders",
    "trials_with_records",
    "verify",
    "versions",
]
