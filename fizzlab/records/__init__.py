"""What a report was made from, and the ledger that keeps it: a line an entry, each with the hash of the one
before.

`making` gives a folder to write in, `keep` makes a record of it; `correct` and `sign` add to a record
without touching it; `verify` says what no longer agrees, `adopt` accepts that, `seal` signs the last line.
What the chain of hashes proves stands in docs/methods/records.md.
"""

from fizzlab.records.find import find, one, summaries
from fizzlab.records.ledger import DeviationEntry, Report, canonical, now, read_ledger, sha256
from fizzlab.records.store import INPUTS, adopt, bench_log, correct, enter_plan, fingerprint, fingerprints
from fizzlab.records.store import keep, kept_as, making, seal, sign, signed, versions
from fizzlab.records.verify import records_home, trials_with_records, verify
