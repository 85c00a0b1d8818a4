"""The fingerprints of records against the hash standard's own examples."""

from __future__ import annotations

from pathlib import Path

import pytest
from outside import Source, same

from fizzlab.records import fingerprint

FIPS = Source(
    "standard",
    "NIST FIPS 180-2, appendix B: SHA-256 examples B.1 and B.2",
    "as quoted in the open test suites of several hash libraries, which agree",
)
TWO_BLOCKS = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"


@pytest.mark.parametrize(
    ("message", "digest"),
    [
        (b"abc", "ba7816bf 8f01cfea 414140de 5dae2223 b00361a3 96177a9c b410ff61 f20015ad"),
        (TWO_BLOCKS, "248d6a61 d20638b8 e5c02693 0c3e6039 a33ce459 64ff2167 f6ecedd4 19db06c1"),
    ],
    ids=["B.1", "B.2"],
)
def test_fingerprints_are_those_of_the_standard(message: bytes, digest: str, tmp_path: Path) -> None:
    file = tmp_path / "message"
    file.write_bytes(message)
    same(
        f"SHA-256 of the {len(message)} letters of the example",
        fingerprint(file),
        digest.replace(" ", ""),
        FIPS,
    )
