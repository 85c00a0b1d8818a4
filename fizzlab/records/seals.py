"""The head of the ledger, number and hash of its last line, sealed with the maker's own SSH key and stamped.

Only the newest seal is kept, so that no older one lies about to which the ledger could be cut back. A stamp
is a request to be sent to a time authority (RFC 3161) and its reply; fizzlab itself asks no network.
"""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.records.ledger import LEDGER, Adoption, Ledger, Line, is_plain

#: Under records/; there, the keys that may seal, certificates of authorities, the sealed head and its seal.
SEALS, SIGNERS, AUTHORITY = "seals", "allowed_signers", "authority.pem"
SEALED, SEAL = "head.txt", "head.txt.sig"

#: What may lie there, requests and replies too.
NAMES = re.compile(rf"{SIGNERS}|{AUTHORITY}|{SEALED}|{SEAL}|[1-9][0-9]{{0,8}}-[0-9a-f]{{16}}\.ts[qr]")

#: Names a key that seals each entry as it is made.
KEY = "FIZZLAB_SEAL_KEY"

_NAMESPACE, _MAKER = "fizzlab-ledger", "maker"


def check(home: Path, ledger: Ledger, trust: Path | None = None) -> Iterator[tuple[str, str]]:
    """Hold the seal and every stamp to the ledger: what is "wrong", what "waits", what is of "note".

    `trust` is a folder of the keys and certificates that one knows; else those beside the seal count.
    """
    place, trust = home / SEALS, trust or home / SEALS
    accepted = {said for entry in ledger.entries() if isinstance(entry, Adoption) for said in entry.accepts}
    lines = {_name(line): line for line in ledger.lines}
    said = re.match(r"([1-9][0-9]{0,8}) ([0-9a-f]{16})", " ".join(_texts(place / SEALED)))
    found = [(path, path.stem) for path in sorted(place.glob("*.tsr")) if NAMES.fullmatch(path.name)]
    if said or _texts(trust / SIGNERS):
        found.append((place / SEAL, "-".join(said.groups()) if said else "0"))
    for path, name in found:
        here, line = f"{SEALS}/{path.name}", lines.get(name)
        try:
            if not is_plain(path):
                raise FizzlabError(f"{here} is missing, though {trust.name}/{SIGNERS} names a key.")
            if line is None:
                lost = f"line {name}, which {LEDGER} does not hold: it was cut off or written anew"
                raise FizzlabError(f"{here} is of {lost}.")
            yield "note", (_sealed if path.name == SEAL else _stamped)(here, path, line, trust)
            if path.name == SEAL and line.place < len(ledger.lines):
                up_to = f"{LEDGER} is sealed up to line {line.place} of {len(ledger.lines)}"
                yield "waits", f"{up_to}: fizzlab records seal."
        except FizzlabError as error:
            if str(error) not in accepted:
                yield "wrong", str(error)
            elif path.name == SEAL:
                yield "waits", f"{LEDGER} is no longer sealed: fizzlab records seal."


def wrong(ledger: Ledger) -> list[str]:
    """What does not agree with the chain, the head or a seal."""
    sealed = [said for kind, said in check(ledger.path.parent, ledger) if kind == "wrong"]
    return [*ledger.faults(), *ledger.cut(), *sealed]


def seal(room: Path, ledger: Ledger, head: Line, key: Path, *, known: bool = False) -> None:
    """Write the seal of a head into the room of a change; `ledger` is as it stands before that.

    FizzlabError is raised where something does not agree, or the key is new though it should be `known`.
    """
    for said in wrong(ledger):
        raise FizzlabError(f"Nothing was sealed or kept, since something does not agree: {said}")
    public = key if key.suffix == ".pub" else key.with_name(f"{key.name}.pub")
    kind, blob, *_ = [*" ".join(_texts(public)[:1]).split(), "", ""]
    if not blob:
        do = "Name your own SSH key, or make one with: ssh-keygen -t ed25519."
        raise BadInput([Problem(str(public), "there is no public key.", do)])
    signers = _texts(ledger.path.parent / SEALS / SIGNERS)
    signer = f'{_MAKER} namespaces="{_NAMESPACE}" {kind} {blob}'
    if known and signer not in signers:
        do = "If that is right, say so once with: fizzlab records seal."
        raise FizzlabError(f"Nothing was sealed or kept: {key} has never sealed this trial. {do}")
    done = _ssh("sign", "-f", str(key), said=head.head)
    if base64.b64decode(blob) not in base64.b64decode(b"".join(done.stdout.splitlines()[1:-1])):
        why = done.stderr.decode(errors="replace").strip().splitlines() or ["it is another key"]
        raise FizzlabError(f"Nothing was sealed or kept: ssh-keygen cannot sign with {key}: {why[-1]}.")
    (room / SEALS).mkdir(parents=True, exist_ok=True)
    allowed = "".join(f"{each}\n" for each in dict.fromkeys([*signers, signer]))
    for name, data in ((SIGNERS, allowed.encode()), (SEALED, head.head), (SEAL, done.stdout)):
        (room / SEALS / name).write_bytes(data)


def request_stamp(room: Path, head: Line) -> str:
    """Write the request for a stamp of the head into the room of a change, and return its name."""
    try:
        from rfc3161_client import HashAlgorithm, TimestampRequestBuilder
    except ImportError:
        raise FizzlabError("A stamp needs: pip install 'fizzlab[stamp]'") from None
    asked = TimestampRequestBuilder(data=head.head, hash_algorithm=HashAlgorithm.SHA256).build()
    (room / SEALS / f"{_name(head)}.tsq").write_bytes(asked.as_bytes())
    return f"{SEALS}/{_name(head)}.tsq"


def _name(line: Line) -> str:
    return f"{line.place}-{line.sha256[:16]}"


def _texts(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8", errors="replace").splitlines() if is_plain(path) else []


def _ssh(act: str, *options: str, said: bytes) -> subprocess.CompletedProcess[bytes]:
    program = shutil.which("ssh-keygen")
    if program is None or Path(program).resolve().parent == Path.cwd():  # a folder never runs as code
        raise FizzlabError("Seals need ssh-keygen, which is not on this computer: install OpenSSH.")
    command = [program, "-Y", act, "-n", _NAMESPACE, *options]
    return subprocess.run(command, input=said, capture_output=True, check=False)


def _sealed(here: str, path: Path, line: Line, trust: Path) -> str:
    """By which key a line was sealed; FizzlabError where it is none of those that are trusted."""
    done = _ssh("verify", "-f", str(trust / SIGNERS), "-I", _MAKER, "-s", str(path), said=line.head)
    key = re.search(r" with (.*)", done.stdout.decode(errors="replace"))
    if done.returncode or key is None:
        raise FizzlabError(f"{here} is no seal of its line by a key that {trust.name}/{SIGNERS} names.")
    return f"Sealed up to line {line.place} by the {key[1]}, which {trust.name}/{SIGNERS} names."


def _stamped(here: str, path: Path, line: Line, trust: Path) -> str:
    """By when a line was there; FizzlabError where the stamp is none."""
    authority = f"{trust.name}/{AUTHORITY}"
    if not is_plain(trust / AUTHORITY):
        return f"{here} cannot be checked without the certificate of its authority, {authority}."
    try:
        from cryptography.x509 import load_pem_x509_certificates
        from rfc3161_client import VerificationError, VerifierBuilder, decode_timestamp_response
    except ImportError:
        return f"{here} cannot be checked here without: pip install 'fizzlab[stamp]'"
    try:
        roots = load_pem_x509_certificates((trust / AUTHORITY).read_bytes())
        reply = decode_timestamp_response(path.read_bytes())
        VerifierBuilder(roots=roots).build().verify_message(reply, line.head)
    except (ValueError, VerificationError) as error:
        raise FizzlabError(
            f"{here} is no stamp of its line by {authority} ({str(error).partition(':')[0]})."
        ) from None
    return f"Line {line.place} was there by {reply.tst_info.gen_time:%Y-%m-%d %H:%M} UTC: {here}."
