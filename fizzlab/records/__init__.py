"""What a report was made from, and the ledger that keeps it: a line an entry, each with the hash of the one
before.

`making` gives a folder to write in, `keep` makes a record of it; `correct` and `sign` add to a record
without touching it; `verify` says what no longer agrees, `adopt` accepts that, `seal` signs the last line.
What the chain of hashes proves stands in docs/methods/records.md.
"""

from fizzlab.records.find import find as find
from fizzlab.records.find import one as one
from fizzlab.records.find import summaries as summaries
from fizzlab.records.ledger import DeviationEntry as DeviationEntry
from fizzlab.records.ledger import canonical as canonical
from fizzlab.records.ledger import now as now
from fizzlab.records.ledger import read_ledger as read_ledger
from fizzlab.records.ledger import sha256 as sha256
from fizzlab.records.store import INPUTS as INPUTS
from fizzlab.records.store import Signature as Signature
from fizzlab.records.store import Stamp as Stamp
from fizzlab.records.store import adopt as adopt
from fizzlab.records.store import bench_log as bench_log
from fizzlab.records.store import correct as correct
from fizzlab.records.store import fingerprint as fingerprint
from fizzlab.records.store import fingerprints as fingerprints
from fizzlab.records.store import keep as keep
from fizzlab.records.store import kept_as as kept_as
from fizzlab.records.store import making as making
from fizzlab.records.store import planning as planning
from fizzlab.records.store import seal as seal
from fizzlab.records.store import sign as sign
from fizzlab.records.store import signed as signed
from fizzlab.records.store import versions as versions
from fizzlab.records.verify import altered as altered
from fizzlab.records.verify import records_home as records_home
from fizzlab.records.verify import stands_alone as stands_alone
from fizzlab.records.verify import trials_with_records as trials_with_records
from fizzlab.records.verify import verify as verify
