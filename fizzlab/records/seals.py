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
from fizzlab.trial.placing import write_whole

#: Under records/; in it, the keys that may seal, as ssh-keygen reads them, and certificates of authorities.
SEALS, SIGNERS, AUTHORITY = "seals", "allowed_signers", "authority.pem"

#: A key that seals each entry as it is made.
KEY = "FIZZLAB_SEAL_KEY"

_NAMESPACE, _MAKER = "fizzlab-ledger", "maker"

_OF_A_LINE = re.compile(r"([1-9][0-9]{0,8})-[0-9a-f]{16}")


def check(home: Path, ledger: Ledger, trust: Path | None = None) -> Iterator[tuple[str, str]]:
    """Hold the newest seal and every stamp to the ledger: what is "wrong", what "waits", what is of "note".

    `trust` is a folder of the keys and certificates that one knows; else those beside the seals count.
    """
    place, trust = home / SEALS, trust or home / SEALS
    accepted = {said for entry in ledger.entries() if isinstance(entry, Adoption) for said in entry.accepts}
    lines = {_name(line): line for line in ledger.lines}
    files = files_of_lines(place)
    seals = [path for path in files if path.suffix == ".sig"][-1:]
    if not seals and _texts(trust / SIGNERS):
        yield "wrong", f"{trust.name}/{SIGNERS} names a key, but no seal is there."
    for path in [*seals, *(path for path in files if path.suffix == ".tsr")]:
        try:
            if (line := lines.get(path.stem)) is None:
                what = f"of a line that {LEDGER} does not hold: it was cut off or written anew"
                raise FizzlabError(f"{SEALS}/{path.name} is {what}.")
            yield "note", (_sealed if path in seals else _stamped)(path, line, trust)
            if path in seals and line.place < len(ledger.lines):
                what = f"{LEDGER} is sealed up to line {line.place} of {len(ledger.lines)}"
                yield "waits", f"{what}: fizzlab records seal."
        except FizzlabError as error:
            if str(error) not in accepted:
                yield "wrong", str(error)
            elif path in seals:
                yield "waits", f"{LEDGER} is not sealed since line {path.stem.partition('-')[0]} was lost."


def wrong(home: Path, ledger: Ledger) -> list[str]:
    """What does not agree with the chain, the head or a seal."""
    return [*ledger.faults(), *ledger.cut(), *(said for kind, said in check(home, ledger) if kind == "wrong")]


def seal(home: Path, ledger: Ledger, key: Path, *, known: bool = False) -> Line:
    """Sign the head, and return its line; whoever calls holds the ledger's lock.

    FizzlabError is raised where something does not agree, or the key is new though it should be `known`.
    """
    for said in wrong(home, ledger) if ledger.lines else ["the ledger has no line yet."]:
        raise FizzlabError(f"Not sealed, since something does not agree: {said}")
    public = key if key.suffix == ".pub" else key.with_name(f"{key.name}.pub")
    kind, blob, *_ = [*" ".join(_texts(public)[:1]).split(), "", ""]
    if not blob:
        do = "Name your own SSH key, or make one with: ssh-keygen -t ed25519."
        raise BadInput([Problem(str(public), "there is no public key.", do)])
    place, signer = home / SEALS, f'{_MAKER} namespaces="{_NAMESPACE}" {kind} {blob}'
    signers = dict.fromkeys([*_texts(place / SIGNERS), signer])
    if known and len(signers) > len(_texts(place / SIGNERS)):
        do = "If that is right, say so once with: fizzlab records seal."
        raise FizzlabError(f"Not sealed: this trial does not know the key {key}. {do}")
    head = ledger.lines[-1]
    done = _ssh("sign", "-f", str(key), said=head.head)
    if base64.b64decode(blob) not in base64.b64decode(b"".join(done.stdout.splitlines()[1:-1])):
        why = done.stderr.decode(errors="replace").strip().splitlines() or ["it is another key"]
        raise FizzlabError(f"Not sealed: ssh-keygen cannot sign with {key}: {why[-1]}.")
    place.mkdir(exist_ok=True)
    write_whole(place / SIGNERS, "".join(f"{each}\n" for each in signers).encode())
    write_whole(place / f"{_name(head)}.sig", done.stdout)
    for old in place.glob("*.sig"):
        if old.stem != _name(head):
            old.unlink()
    return head


def request_stamp(home: Path, head: Line) -> Path:
    """Write the request for a stamp of the head, unless it is there already."""
    try:
        from rfc3161_client import HashAlgorithm, TimestampRequestBuilder
    except ImportError:
        raise FizzlabError("A stamp needs: pip install 'fizzlab[stamp]'") from None
    path = home / SEALS / f"{_name(head)}.tsq"
    if not path.exists():
        asked = TimestampRequestBuilder(data=head.head, hash_algorithm=HashAlgorithm.SHA256)
        write_whole(path, asked.build().as_bytes())
    return path


def files_of_lines(place: Path) -> list[Path]:
    """Seals, requests and replies, by the number of their line; links and the like are none."""
    found = [path for path in place.glob("*.*") if _OF_A_LINE.fullmatch(path.stem) and is_plain(path)]
    return sorted(found, key=lambda path: int(path.stem.partition("-")[0]))


def names(place: Path) -> set[str]:
    """What may lie there."""
    return {SIGNERS, AUTHORITY, *(path.name for path in files_of_lines(place))}


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


def _sealed(path: Path, line: Line, trust: Path) -> str:
    """By which key a line was sealed; FizzlabError where it is none of those that are trusted."""
    done = _ssh("verify", "-f", str(trust / SIGNERS), "-I", _MAKER, "-s", str(path), said=line.head)
    key = re.search(r" with (.*)", done.stdout.decode(errors="replace"))
    if done.returncode or key is None:
        where = f"{SEALS}/{path.name} is no seal of its line by a key that"
        raise FizzlabError(f"{where} {trust.name}/{SIGNERS} names.")
    return f"Sealed up to line {line.place} by the {key[1]}, which {trust.name}/{SIGNERS} names."


def _stamped(path: Path, line: Line, trust: Path) -> str:
    """By when a line was there; FizzlabError where the stamp is none."""
    here, authority = f"{SEALS}/{path.name}", f"{trust.name}/{AUTHORITY}"
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
