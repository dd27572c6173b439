"""Give damaged files to every reader: each is refused or measured, quickly and in little memory.

python scripts/studies/benchmark_fuzz.py [--minutes 10] [--first 0] [--case N]

Recordings in every format have their headers, chunks and ends damaged and go through stages 1 and
2 and through registering; the demo archive's configuration, its sheets and curves included, is
damaged and loaded. Each case has a number and does the same damage each time: --case runs that one
alone, and lets whatever it raises through.
"""

import argparse
import contextlib
import multiprocessing
import os
import random
import re
import resource
import shutil
import signal
import struct
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import yaml

import library_path  # noqa: F401
from grooveledger.capture.recording_facts import read_recording
from grooveledger.configuration import load, read_config
from grooveledger.faults import CaptureFault, ConfigurationFaults
from grooveledger.observe.noise_density import observe_noise
from grooveledger.observe.orders import observe_orders
from grooveledger.observe.speed_trace import observe_speed
from grooveledger.plan import Chain, Side
from grooveledger.segment.job import segment
from grooveledger.simulate.files import FORMATS, SUBTYPES, write_capture

PROJECT = Path(__file__).parents[2]
#: Memory that a process may take beyond what it starts with, wall time that a case may take, and
#: processor time from which it is listed.
MEMORY_BYTES, CASE_S, SLOW_S = 1 << 30, 30, 3.0
#: Cases that a process runs before the next one takes over.
CASES_A_PROCESS = 200
RATE_HZ = 44_100
#: Bytes at a recording's beginning in which most of the damage is done.
HEADER_BYTES = 256
SIDE = Side.from_mapping(
    {
        "record": "short",
        "side": "a",
        "rpm": 33.3333,
        "gap_s": 0.6,
        "tracks": [
            {"track": 1, "kind": "tone", "modulation": "left", "frequency_hz": 1000,
             "velocity_cm_s": 5, "duration_s": 1},
            {"track": 2, "kind": "silent_groove", "duration_s": 1},
            {"track": 3, "kind": "tone", "modulation": "lateral", "frequency_hz": 3150,
             "velocity_cm_s": 5, "duration_s": 1, "purpose": "speed"},
        ],
    }
)  # fmt: skip
#: Stand-ins for lengths and counts in headers, as unsigned numbers of 16, 32 and 64 bits.
ABSURD = (0, 1, 2, 3, 0x7F, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE,
          0xFFFFFFFF, 1 << 40, (1 << 63) - 1, 1 << 63, (1 << 64) - 1)  # fmt: skip
CHUNKS = (b"RIFF", b"RF64", b"ds64", b"fmt ", b"data", b"fact", b"bext", b"LIST", b"cue ", b"PEAK",
          b"FORM", b"AIFC", b"COMM", b"SSND", b"MARK", b"caff", b"desc", b"pakt", b"chan", b"free",
          b"fLaC", b"OggS", b"id3 ", b"ID3\x03", b"junk", b"smpl", b"inst", b"wave")  # fmt: skip
#: Stand-ins for what text files hold.
WORDS = (b"", b"0", b"-1", b"1e308", b"-1e308", b"1e-308", b"1e999", b"nan", b"inf", b"1,5",
         b"0x10", b"1_000", b"9" * 400, b"\xef\xbc\x91", b"null", b"true", b"[", b"{", b"]", b"}",
         b": ", b"- ", b"&a ", b"*a ", b"!!python/object:x ", b"#", b"---\n", b'"', b"'", b"\t",
         b"\r", b"\n", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\xe9", b"\xf0\x9f\x8e\xb5", b"../",
         b"/etc", b"<<: ", b"? ", b"|", b">", b"%", b"[" * 3000, b"a" * 5000,
         b"\x1b[2J")  # fmt: skip


def recordings(folder: Path) -> list[Path]:
    """Write a short capture of `SIDE` in every format and sample type."""
    noise = np.random.default_rng(0).normal(0.0, 1e-3, (round(4.8 * RATE_HZ), 2))
    time_s = np.arange(RATE_HZ) / RATE_HZ
    for start_s, hz, gains in ((0.6, 1000.0, (0.3, 0.01)), (3.2, 3150.0, (0.2, 0.2))):
        first = round(start_s * RATE_HZ)
        noise[first : first + RATE_HZ] += np.outer(np.sin(2.0 * np.pi * hz * time_s), gains)
    paths = []
    for ending in FORMATS:
        for bits in SUBTYPES:
            if ending == ".flac" and bits in ("32", "float"):
                continue
            paths.append(folder / f"{bits}{ending}")
            write_capture(paths[-1], noise, RATE_HZ, bits)
    return paths


def damaged_recording(content: bytes, chance: random.Random) -> bytes:
    """Return a recording's bytes with some damage, most of it in the header."""
    for _ in range(chance.randint(1, 4)):
        far = chance.random() < 0.2
        at = chance.randrange(max(1, min(len(content), len(content) if far else HEADER_BYTES)))
        at -= at % chance.choice((1, 2, 4))
        width, letter = chance.choice(((1, "B"), (2, "H"), (4, "I"), (8, "Q")))
        order = chance.choice("<>")
        number = struct.pack(order + letter, chance.choice(ABSURD) % (1 << (8 * width)))
        match chance.randrange(8):
            case 0 | 1 | 2:
                content = content[:at] + number + content[at + width :]
            case 3:
                content = content[:at] + chance.randbytes(width) + content[at + width :]
            case 4:
                size = struct.pack(order + "I", chance.choice(ABSURD) % (1 << 32))
                chunk = chance.choice(CHUNKS) + size + chance.randbytes(chance.choice((0, 4, 64)))
                content = content[:at] + chunk + content[at:]
            case 5:
                content = content[:at] + chance.choice(CHUNKS) + content[at + 4 :]
            case 6:
                length = chance.randint(1, 64)
                content = content[:at] + content[at : at + length] * 2 + content[at + length :]
            case _:
                content = content[: chance.randrange(len(content) + 1)] if far else content[:at]
    return content


def damaged_text(content: bytes, chance: random.Random) -> bytes:
    """Return a text file's bytes with some words, numbers and stretches replaced."""
    for _ in range(chance.randint(1, 4)):
        words = list(re.finditer(rb"[^\s,:\[\]{}]+", content))
        if words and chance.random() < 0.6:
            start, stop = chance.choice(words).span()
        else:
            start = chance.randrange(len(content) + 1)
            stop = start + chance.choice((0, 0, 1, 5, 40))
        put = chance.choice((chance.choice(WORDS), chance.randbytes(3), content[start:], b""))
        content = (content[:start] + put + content[stop:])[:50_000]
    return content


def try_recording(folder: Path, chance: random.Random) -> str:
    """Damage a recording and put it through stages 1 and 2; returns how it was judged."""
    source = chance.choice(sorted((folder / "recordings").iterdir()))
    path = folder / f"damaged{source.suffix}"
    path.write_bytes(damaged_recording(source.read_bytes(), chance))
    tracks, health = segment(path, SIDE, settings("segment"), "one")
    status = str(health["status"][0])
    for observation, block in (
        (observe_orders, "orders"),
        (observe_speed, "speed"),
        (observe_noise, "noise"),
    ):
        try:
            observation(path, tracks, SIDE, settings(block), "one")
        except CaptureFault as fault:
            status += f", then {str(fault)[:16]}"
    with contextlib.suppress(CaptureFault):
        read_recording(path)
    return f"{source.suffix} {status}"


def settings(block: str) -> dict[str, object]:
    """Return the defaults of a block of the configuration."""
    path = PROJECT / f"workflow/schemas/blocks/{block}.yaml"
    described = yaml.safe_load(path.read_text(encoding="utf-8"))["properties"]
    return {key: value.get("default") for key, value in described.items()}


def try_configuration(folder: Path, chance: random.Random) -> str:
    """Damage a file of the configuration and load it; returns whether faults were listed."""
    sound = PROJECT / "config"
    names = sorted(str(path.relative_to(sound)) for path in sound.rglob("*") if path.is_file())
    name = chance.choice(names)
    shutil.copytree(sound, folder / "config", dirs_exist_ok=True)
    (folder / "config" / name).write_bytes(damaged_text((sound / name).read_bytes(), chance))
    try:
        archive = load(read_config(folder / "config/config.yaml"), folder)
    except ConfigurationFaults as refused:
        if not all(fault.problem and fault.remedy for fault in refused.faults):
            raise ValueError(f"a fault that says too little: {refused}") from refused
        return f"{Path(name).name} refused"
    for side in archive.sides.values():
        Side.from_mapping(side)
    for chain in archive.chains.values():
        Chain.from_mapping(chain)
    return f"{Path(name).name} taken"


def one_case(number: int, folder: Path) -> str:
    """Run the case of a number; returns how it ended."""
    chance = random.Random(number)
    attempt: Callable[[Path, random.Random], str]
    attempt = try_recording if chance.random() < 0.7 else try_configuration
    return attempt(folder, chance)


def some_cases(first: int, folder: Path, results: Connection) -> None:
    """Run cases in a process that has little memory to take, and send how each ended."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    limit = pages * resource.getpagesize() + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    warnings.simplefilter("error", RuntimeWarning)
    for number in range(first, first + CASES_A_PROCESS):
        results.send((number, None, 0.0, 0))
        signal.alarm(CASE_S)
        begin = time.process_time()
        try:
            ended = one_case(number, folder)
        except Exception as error:
            ended = f"CRASH {type(error).__name__}: {str(error)[:200]}"
        signal.alarm(0)
        size_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        results.send((number, ended, time.process_time() - begin, size_kb))


def main() -> None:
    """Run the program."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--case", type=int)
    arguments = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    context = multiprocessing.get_context("fork")
    outcomes, slowest, largest_kb, number = Counter[str](), (0.0, -1), 0, arguments.first
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "recordings").mkdir()
        recordings(folder / "recordings")
        if arguments.case is not None:
            print(one_case(arguments.case, folder))
            return
        end = time.monotonic() + 60.0 * arguments.minutes
        while time.monotonic() < end:
            receiver, sender = context.Pipe(duplex=False)
            process = context.Process(target=some_cases, args=(number, folder, sender))
            process.start()
            sender.close()
            begun = None
            while True:
                try:
                    number, ended, took_s, size_kb = receiver.recv()
                except EOFError:
                    break
                begun = number if ended is None else None
                if ended is None:
                    continue
                outcomes[ended.partition(":")[0]] += 1
                slowest, largest_kb = max(slowest, (took_s, number)), max(largest_kb, size_kb)
                if ended.startswith("CRASH") or took_s > SLOW_S:
                    print(f"case {number}: {ended} ({took_s:.1f} s)", flush=True)
            process.join()
            if begun is not None:
                outcomes["CRASH of the process"] += 1
                print(f"case {begun}: the process ended with {process.exitcode}", flush=True)
            number += 1
    for ended, count in sorted(outcomes.items()):
        print(f"{count:7d} {ended}")
    print(
        f"{sum(outcomes.values())} cases; slowest {slowest[0]:.1f} s (case {slowest[1]}); largest "
        f"process {largest_kb / 1024:.0f} MB"
    )


if __name__ == "__main__":
    main()
