"""Seals by the maker's own SSH key, stamps of a time authority, and copies that verify alone."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from kept_trial import keep_record

from fizzlab import records
from fizzlab.cli.main import main
from fizzlab.errors import FizzlabError
from fizzlab.records import seals
from fizzlab.records.ledger import canonical, sha256
from fizzlab.records.remote import Address

needs_ssh = pytest.mark.skipif(
    shutil.which("ssh-keygen") is None, reason="ssh-keygen is not on this computer"
)
needs_openssl = pytest.mark.skipif(
    shutil.which("openssl") is None, reason="the authority is played by openssl"
)


def _key(place: Path) -> Path:
    place.parent.mkdir(exist_ok=True)
    made = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "an invented maker", "-f", str(place)]
    subprocess.run(made, check=True)
    return place


@pytest.fixture
def key(tmp_path: Path) -> Path:
    return _key(tmp_path / "keys" / "mine")


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    keep_record(tmp_path / "quay")
    return tmp_path / "quay"


def _faults(folder: Path, **known: Path) -> list[str]:
    return [fault.sentence for fault in records.verify(folder, **known).faults]


def _run(*words: object) -> str:
    done = CliRunner().invoke(main, ["records", *map(str, words)])
    assert done.exit_code == 0, done.output
    return done.output


@needs_ssh
class TestSeals:
    def test_a_sealed_head_verifies_with_the_key_and_demands_the_newest(self, quay: Path, key: Path) -> None:
        assert _run("seal", quay, "--key", key) == "Sealed up to line 1.\n"
        told = _run("verify", quay)
        assert "Sealed up to line 1 by the ED25519 key SHA256:" in told
        assert "cut off with the seal" in told
        records.sign(quay / "records", 1, checked_by="Bo")
        assert _faults(quay) == ["ledger.jsonl is sealed up to line 1 of 2: fizzlab records seal."]
        _run("seal", quay, "--key", f"{key}.pub".removesuffix(".pub"))
        assert _faults(quay) == []
        assert len(list((quay / "records" / "seals").iterdir())) == 3

    @pytest.mark.slow
    def test_ssh_keygen_alone_says_the_same(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        place = quay / "records" / "seals"
        sig = place / "head.txt.sig"
        words = ["-f", place / "allowed_signers", "-I", "maker", "-n", "fizzlab-ledger", "-s", sig]
        head = (place / "head.txt").read_bytes()
        assert head == (quay / "records-head.txt").read_bytes()
        for text, code in ((head, 0), (head.replace(b"1 ", b"2 "), 255)):
            done = subprocess.run(
                ["ssh-keygen", "-Y", "verify", *map(str, words)], input=text, capture_output=True
            )
            assert done.returncode == code

    def test_a_chain_written_anew_with_its_head_shows(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        _anew(quay)
        (said,) = _faults(quay)
        assert "which ledger.jsonl does not hold: it was cut off or written anew." in said
        with pytest.raises(FizzlabError, match="since something does not agree"):
            records.seal(quay / "records", key)

    def test_a_cut_with_its_head_shows(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        records.sign(quay / "records", 1, checked_by="Bo")
        records.seal(quay / "records", key)
        ledger = quay / "records" / "ledger.jsonl"
        lines = ledger.read_bytes().splitlines(keepends=True)[:-1]
        ledger.write_bytes(b"".join(lines))
        (quay / "records-head.txt").write_text(f"1 {sha256(lines[-1][:-1])}\n")
        assert "it was cut off or written anew" in _faults(quay)[0]

    @pytest.mark.slow
    def test_a_seal_of_another_key_shows(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        theirs = _key(quay.parent / "keys" / "theirs")
        sig = quay / "records" / "seals" / "head.txt.sig"
        head = quay.parent / "head"
        shutil.copy(quay / "records-head.txt", head)
        subprocess.run(
            ["ssh-keygen", "-q", "-Y", "sign", "-n", "fizzlab-ledger", "-f", theirs, head], check=True
        )
        shutil.copy(f"{head}.sig", sig)
        assert "is no seal of its line by a key that seals/allowed_signers names." in _faults(quay)[0]

    @pytest.mark.slow
    def test_keys_that_one_knows_are_held_against_all_that_lies_there(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        known = quay.parent / "known"
        shutil.copytree(quay / "records" / "seals", known)
        assert _faults(quay, trust=known) == []
        shutil.rmtree(quay)
        keep_record(quay)
        records.seal(quay / "records", _key(quay.parent / "keys" / "theirs"))
        assert _faults(quay) == []
        assert "is no seal of its line by a key" in _faults(quay, trust=known)[0]

    def test_seals_that_were_taken_away_show_to_who_knows_the_key(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        known = quay.parent / "known"
        shutil.copytree(quay / "records" / "seals", known)
        (quay / "records" / "seals" / "head.txt.sig").unlink()
        missing = "seals/head.txt.sig is missing, though {}/allowed_signers names a key."
        assert _faults(quay) == [missing.format("seals")]
        with pytest.raises(FizzlabError, match="is missing"):
            records.seal(quay / "records", key)
        records.adopt(quay / "records", reason="the seal was deleted")
        assert _faults(quay) == ["ledger.jsonl is no longer sealed: fizzlab records seal."]
        shutil.rmtree(quay / "records" / "seals")
        assert _faults(quay) == []
        assert "nor whether all was written anew: seal it" in records.verify(quay).notes[-1]
        assert missing.format("known") in _faults(quay, trust=known)

    @pytest.mark.slow
    def test_every_entry_is_sealed_where_the_environment_names_the_key(
        self, quay: Path, key: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("FIZZLAB_SEAL_KEY", str(key))
        with pytest.raises(FizzlabError, match="has never sealed this trial"):
            records.sign(quay / "records", 1, checked_by="Bo")
        assert len(records.read_ledger(quay / "records").lines) == 1
        assert _faults(quay) == []
        _run("seal", quay)
        keep_record(quay)
        records.correct(quay / "records", 1, reason="a slip", by="Ann")
        assert _faults(quay) == []
        keep_record(quay.parent / "pier")
        assert _faults(quay.parent / "pier") == []
        assert "Sealed up to line 1" in _run("verify", quay.parent / "pier")

    @pytest.mark.slow
    def test_what_was_lost_since_the_seal_can_be_adopted_and_sealed(self, quay: Path, key: Path) -> None:
        records.seal(quay / "records", key)
        _anew(quay)
        records.adopt(quay / "records", reason="a backup was put back")
        assert _faults(quay) == ["ledger.jsonl is no longer sealed: fizzlab records seal."]
        records.seal(quay / "records", key)
        assert _faults(quay) == []

    @pytest.mark.parametrize("which", ["no key", "a wrong key", "no ssh-keygen"])
    def test_what_cannot_be_sealed_is_one_sentence(
        self, quay: Path, key: Path, which: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = (quay / "records" / "ledger.jsonl").read_bytes()
        says = {"no key": "there is no public key.", "a wrong key": "ssh-keygen cannot sign with"}
        if which == "no key":
            key = key.with_name("none")
        elif which == "a wrong key":
            shutil.copy(f"{_key(key.with_name('theirs'))}.pub", f"{key}.pub")
        else:
            monkeypatch.setattr(seals.shutil, "which", lambda _: None)
        done = CliRunner().invoke(main, ["records", "seal", str(quay), "--key", str(key)])
        assert done.exit_code == 2
        assert says.get(which, "Seals need ssh-keygen, which is not on this computer") in done.output
        assert (quay / "records" / "ledger.jsonl").read_bytes() == before

    def test_a_seal_that_cannot_be_checked_is_no_good_news(
        self, quay: Path, key: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        records.seal(quay / "records", key)
        monkeypatch.setattr(seals.shutil, "which", lambda _: None)
        assert _faults(quay) == ["Seals need ssh-keygen, which is not on this computer: install OpenSSH."]

    def test_a_copy_carries_ledger_and_seal_and_verifies_alone(self, quay: Path, key: Path) -> None:
        pytest.importorskip("fsspec", reason="fsspec, the extra 'remote', is not installed")
        records.seal(quay / "records", key)
        address = Address(f"file://{quay.parent}/stick")
        address.send(quay / "records" / "quay-1")
        shutil.rmtree(quay)
        copy = quay.parent / "stick" / "quay-1"
        assert "Sealed up to line 1" in _run("verify", copy)
        (copy / "findings.json").write_text("[1]\n")
        (copy / "notes.txt").write_text("mine")
        said = ["findings.json was changed.", "notes.txt was put in later."]
        assert _faults(copy) == [f"Record quay-1 was altered: {each}" for each in said]


def _anew(folder: Path) -> None:
    """Write the chain, the records' own lines and the head anew, with another title."""
    ledger, before, data = folder / "records" / "ledger.jsonl", "0" * 64, b""
    for text in ledger.read_bytes().splitlines():
        entry = json.loads(text) | {"before": before}
        entry |= {"title": "Ten ways"} if "title" in entry else {}
        line = canonical(entry)
        before, data = sha256(line), data + line + b"\n"
        if "record" in entry:
            (folder / "records" / entry["record"] / "entry.json").write_bytes(line + b"\n")
    ledger.write_bytes(data)
    (folder / "records-head.txt").write_text(f"{len(data.splitlines())} {before}\n")


AUTHORITY = """
[req]
distinguished_name = name
x509_extensions = root
prompt = no
[name]
CN = An invented time authority
[root]
basicConstraints = critical, CA:true
subjectKeyIdentifier = hash
keyUsage = critical, keyCertSign
[stamps]
basicConstraints = critical, CA:false
keyUsage = critical, digitalSignature
extendedKeyUsage = critical, timeStamping
authorityKeyIdentifier = keyid
[tsa]
default_tsa = tsa_config
[tsa_config]
serial = {place}/serial
crypto_device = builtin
signer_cert = {place}/tsa.pem
signer_key = {place}/tsa.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
ess_cert_id_alg = sha256
"""


class Authority:
    """A time authority in a folder, which answers requests with `openssl ts`."""

    def __init__(self, place: Path) -> None:
        place.mkdir()
        self.place, self.config = place, place / "tsa.cnf"
        self.config.write_text(AUTHORITY.format(place=place))
        (place / "serial").write_text("01\n")
        curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-config", self.config]
        self._do("req", "-x509", "-days", "30", *curve, "-keyout", "root.key", "-out", "root.pem")
        self._do("req", "-new", *curve, "-subj", "/CN=stamps", "-keyout", "tsa.key", "-out", "tsa.csr")
        signed = ["-CA", "root.pem", "-CAkey", "root.key", "-CAcreateserial", "-days", "30"]
        extended = ["-extfile", self.config, "-extensions", "stamps"]
        self._do("x509", "-req", "-in", "tsa.csr", *signed, *extended, "-out", "tsa.pem")

    def _do(self, *words: object) -> None:
        subprocess.run(["openssl", *map(str, words)], cwd=self.place, check=True, capture_output=True)

    def answer(self, asked: Path) -> Path:
        reply = asked.with_suffix(".tsr")
        self._do("ts", "-reply", "-config", self.config, "-queryfile", asked, "-out", reply)
        return reply


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority") / "tsa")


@pytest.mark.slow
@needs_ssh
@needs_openssl
class TestStamps:
    def _asked(self, quay: Path, key: Path) -> Path:
        pytest.importorskip("rfc3161_client", reason="rfc3161-client, the extra 'stamp', is not installed")
        told = _run("seal", quay, "--key", key, "--stamp")
        (asked,) = (quay / "records" / "seals").glob("*.tsq")
        assert f"Send {asked} to a time authority, and keep its reply beside it as {asked.stem}.tsr." in told
        return asked

    def test_a_stamp_says_by_when_the_line_was_there(
        self, quay: Path, key: Path, authority: Authority
    ) -> None:
        asked = self._asked(quay, key)
        assert _faults(quay) == []
        reply = authority.answer(asked)
        here = f"seals/{reply.name}"
        told = f"{here} cannot be checked without the certificate of its authority, seals/authority.pem."
        assert told in records.verify(quay).notes
        shutil.copy(authority.place / "root.pem", reply.with_name("authority.pem"))
        assert _faults(quay) == []
        assert "Line 1 was there by 2" in _run("verify", quay)
        assert f" UTC: {here}." in _run("verify", quay)
        checked = ["openssl", "ts", "-verify", "-in", reply, "-data", quay / "records-head.txt"]
        checked += ["-CAfile", authority.place / "root.pem"]
        assert subprocess.run(checked, capture_output=True).returncode == 0
        shutil.move(reply.with_name("authority.pem"), quay.parent / "authority.pem")
        shutil.copy(reply.with_name("allowed_signers"), quay.parent)
        assert "Line 1 was there by 2" in _run("verify", quay, "--trust", quay.parent)

    def test_a_stamp_of_another_line_or_authority_or_none_shows(
        self, quay: Path, key: Path, authority: Authority, tmp_path: Path
    ) -> None:
        reply = authority.answer(self._asked(quay, key))
        trusted = reply.with_name("authority.pem")
        shutil.copy(Authority(tmp_path / "other").place / "root.pem", trusted)
        assert f"seals/{reply.name} is no stamp of its line by seals/authority.pem" in _faults(quay)[0]
        shutil.copy(authority.place / "root.pem", trusted)
        assert _faults(quay) == []
        other = tmp_path / "other.tsq"
        words = ["openssl", "ts", "-query", "-data", trusted, "-sha256", "-cert", "-out", other]
        subprocess.run(words, check=True, capture_output=True)
        for wrong in (authority.answer(other).read_bytes(), reply.read_bytes()[:-50], b"", b"no reply"):
            reply.write_bytes(wrong)
            assert f"seals/{reply.name} is no stamp of its line by seals/authority.pem" in _faults(quay)[0]

    def test_a_stamp_of_a_line_that_was_written_anew_shows(
        self, quay: Path, key: Path, authority: Authority
    ) -> None:
        authority.answer(self._asked(quay, key))
        _anew(quay)
        assert sum("which ledger.jsonl does not hold" in said for said in _faults(quay)) == 2

    def test_without_the_extra_it_says_what_to_install(
        self, quay: Path, key: Path, authority: Authority, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        reply = authority.answer(self._asked(quay, key))
        shutil.copy(authority.place / "root.pem", reply.with_name("authority.pem"))
        monkeypatch.setitem(sys.modules, "rfc3161_client", None)
        assert _faults(quay) == []
        assert any("pip install 'fizzlab[stamp]'" in note for note in records.verify(quay).notes)
        done = CliRunner().invoke(main, ["records", "seal", str(quay), "--key", str(key), "--stamp"])
        assert done.exit_code == 2
        assert "A stamp needs: pip install 'fizzlab[stamp]'" in done.output
