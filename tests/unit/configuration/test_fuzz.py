"""Damaged configuration files: whatever the bytes, a load ends well or with told faults, soon."""

import random
import time

import pytest

import make_configuration as good
from grooveledger.configuration import load
from grooveledger.faults import ConfigurationFaults

NASTY = [
    b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n", b"\t", b'"', b"'", b"[", b"{", b"]", b"}",
    b": ", b"- ", b"&a ", b"*a ", b"!!x ", b"#", b"---\n", b"null", b"nan", b"1e999", b"9" * 400,
    b"-", b"../", b"/", b"\\", b"\xc3\xa9", b"\xe9", b"\xf0\x9f\x8e\xb5", b"%", b"|", b">", b"? ",
    b"<<: ", b"[" * 3000, b"a" * 5000, b"\x1b[2J", "\u2028".encode(),
]  # fmt: skip
LOAD_MAX_S = 2.0


def damaged(content: bytes, rng: random.Random) -> bytes:
    """Return the content with a few random edits."""
    for _ in range(rng.randint(1, 4)):
        start = rng.randrange(len(content) + 1)
        stop = min(len(content), start + rng.choice([0, 0, 1, 5, 40]))
        noise = rng.randbytes(rng.randint(1, 4))
        put = rng.choice([b"", rng.choice(NASTY), noise, content[start:]])
        content = content[:start] + put + content[stop:]
    return content[:20_000]


def faults_of(folder):
    """Load the archive in a folder; return the faults told."""
    try:
        load(good.config(), folder)
    except ConfigurationFaults as raised:
        return raised.faults
    return ()


def fuzz(folder, rounds: int, seed: int) -> int:
    """Load damaged configurations; return how many had told faults."""
    rng = random.Random(seed)
    files = good.files()
    told = 0
    for _ in range(rounds):
        name = rng.choice(sorted(files))
        good.write(folder, {name: damaged(files[name].encode(), rng)})
        start = time.process_time()
        faults = faults_of(folder)
        told += bool(faults)
        assert all(fault.problem and fault.remedy and str(fault).encode() for fault in faults)
        assert time.process_time() - start < LOAD_MAX_S, files[name]
    return told


def test_damaged_files_are_told(tmp_path):
    assert fuzz(tmp_path, 100, seed=1) > 50


@pytest.mark.slow
def test_damaged_files_are_told_for_long(tmp_path):
    assert fuzz(tmp_path, 30_000, seed=2) > 15_000
