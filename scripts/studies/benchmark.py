"""Measure the speed and memory of stages 1 to 4 against bare decoding of the same recordings.

python scripts/studies/benchmark.py FOLDER [--captures 24] [--minutes 10] [--rate 96000] [--cores 2]

FOLDER gets one simulated recording, under as many names as captures are wanted, and an archive of
them; run on an idle machine and delete it afterwards. Printed are ratios within the same run: to
decoding alone with soundfile on the same cores, and to a plain loop in one process that makes the
same tables with the same library.
"""

import os

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[variable] = "1"
# As scripts/run.sh and scripts/environment.sh do.
os.environ.setdefault("GLIBC_TUNABLES", "glibc.malloc.hugetlb=1")
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import argparse  # noqa: E402
import ast  # noqa: E402
import csv  # noqa: E402
import json  # noqa: E402
import resource  # noqa: E402
import shutil  # noqa: E402
import statistics  # noqa: E402
import subprocess  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402
from collections.abc import Mapping, Sequence  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import NamedTuple  # noqa: E402

import soundfile as sf  # noqa: E402
import yaml  # noqa: E402

import library_path  # noqa: E402, F401
from grooveledger.capture import reader  # noqa: E402
from grooveledger.configuration import load, read_config  # noqa: E402
from grooveledger.observe.job import OBSERVATIONS  # noqa: E402
from grooveledger.run import inventory  # noqa: E402
from grooveledger.run.jobs import Jobs  # noqa: E402

PROJECT = Path(__file__).parents[2]
STAGES = ("capture", "collect")
#: Of FLAC, what recorders use unless set otherwise.
COMPRESSION = 0.5
#: Lengths below are for a side of this many minutes.
SIDE_MIN = 10.0


#: Processor time of the workflow's jobs, seconds, as its last run left it in the archive's folder.
JOBS_CPU = "jobs_cpu_s.txt"


class Cost(NamedTuple):
    """What a command took: wall and processor time of it and all its children, seconds."""

    wall_s: float
    cpu_s: float


def cost(*commands: Sequence[str | Path]) -> Cost:
    """Run commands side by side."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    processes = [
        subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        for command in commands
    ]
    for process in processes:
        _, said = process.communicate()
        if process.returncode:
            sys.exit(said.decode()[-3000:])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return Cost(time.perf_counter() - begin, cpu_s)


def side(minutes: float) -> dict[str, object]:
    """Return a side with every kind of track, driven over about nine tenths of its length."""
    scale = minutes / SIDE_MIN
    tracks: list[dict[str, object]] = []

    def add(kind: str, modulations: Sequence[str], seconds: float, **facts: object) -> None:
        for modulation in modulations:
            steps = facts.get("frequencies_hz") or facts.get("amplitudes_um")
            if kind in ("tone_steps", "amplitude_steps"):
                length = {"step_s": seconds * scale / len(steps)}  # type: ignore[arg-type]
            else:
                length = {"duration_s": seconds * scale}
            driven = {"modulation": modulation} if modulation else {}
            number = len(tracks) + 1
            tracks.append({"track": number, "kind": kind, **driven, **length, **facts})

    both, steps_hz = ("left", "right"), [100, 200, 300, 500, 800, 1000, 2000, 3000, 5000, 8000]
    add("tone", (*both, "lateral", "vertical"), 20, frequency_hz=1000, velocity_cm_s=3.5)
    add("sweep", both, 50, start_hz=20, stop_hz=20000, recorded="iec98", velocity_cm_s=1)
    add("sweep", both, 40, start_hz=1000, stop_hz=40000, velocity_cm_s=1.5)
    add("tone_steps", (*both, "lateral"), 40, frequencies_hz=steps_hz, velocity_cm_s=4)
    add("two_tone", ("lateral",), 20, frequencies_hz=[400, 4000], ratio=4, velocity_cm_s=6)
    add("amplitude_steps", ("lateral",), 24, frequency_hz=315, amplitudes_um=[40, 50, 60, 70, 80])
    low = {"start_hz": 25, "stop_hz": 5, "recorded": "constant_amplitude", "velocity_cm_s": 15}
    add("sweep", ("lateral", "vertical"), 25, purpose="resonance", **low)
    add("silent_groove", ("",), 35)
    add("tone", ("lateral",), 45, purpose="speed", frequency_hz=3150, velocity_cm_s=3)
    return {"gap_s": 2.0, "tracks": tracks}


def make_archive(
    folder: Path, captures: int, rate_hz: int, described: Mapping[str, object]
) -> Path:
    """Simulate a recording of a side and describe an archive of it; returns config.yaml."""
    from grooveledger.plan import Side
    from grooveledger.simulate.archives import CARTRIDGES, CHAINS, CONDITIONS, small_chain
    from grooveledger.simulate.capture import plan_capture, render_capture
    from grooveledger.simulate.stylus import StylusTruth

    (folder / "captures").mkdir(parents=True, exist_ok=True)
    (folder / "records").mkdir(exist_ok=True)
    record = {"record": "long", "rpm": 33.3333, "response_tolerance_db": 1.0}
    record["sides"] = {"a": described}
    recording = folder / "recording.flac"
    if not recording.exists():
        plan = Side.from_mapping({**record, **described, "side": "a"})
        truth = plan_capture(plan, StylusTruth(flat_um=2.0), small_chain(), CONDITIONS, 1)
        samples = render_capture(truth, rate_hz, 1)
        sf.write(recording, samples, rate_hz, subtype="PCM_24", compression_level=COMPRESSION)
    rows = ["capture\tfile\tcaptured_at\tstylus\trecord\tside\tchain\tstylus_hours"]
    for i in range(captures):
        path = folder / "captures" / f"c{i:05d}.flac"
        if not path.exists():
            os.link(recording, path)
        day = f"{2020 + i // 336}-{i // 28 % 12 + 1:02d}-{i % 28 + 1:02d}"
        rows.append(f"{path.stem}\t{path.name}\t{day}\ts1\tlong\ta\tbench\t{i}")
    (folder / "captures.tsv").write_text("\n".join(rows) + "\n")
    (folder / "styli.tsv").write_text(
        "stylus\tcartridge\tfitted_on\thours_at_fitting\ns1\tmm-small\t2019-12-01\t0\n"
    )
    names = ("captures_dir", "captures", "styli", "cartridges", "chains", "records_dir", "results")
    files = ("captures", "captures.tsv", "styli.tsv", "cartridges.yaml", "chains.yaml", "records")
    config = dict(zip(names, (str(folder / file) for file in (*files, "results")), strict=True))
    for name, content in (
        ("config.yaml", config),
        ("cartridges.yaml", CARTRIDGES),
        ("chains.yaml", CHAINS),
        ("records/long.yaml", record),
    ):
        # By way of JSON: values that are the same object would become an alias.
        plain = json.loads(json.dumps(content))
        (folder / name).write_text(yaml.safe_dump(plain, sort_keys=False))
    return folder / "config.yaml"


def decode(files: Sequence[str]) -> None:
    """Decode files and do nothing with them."""
    for name in files:
        with sf.SoundFile(name) as file:
            for _ in reader.blocks(file):
                pass


def plain_loop(config: Path, output: Path, first: int = 0, every: int = 1) -> None:
    """Make the tables of stages 1 to 4 in this process, one capture after the other.

    Of every this many captures one, from the first on; the archive's tables only of all of them.
    """
    sys.path.insert(0, str(PROJECT / "scripts/rules"))
    import block_pandas  # noqa: F401
    from grooveledger.interpret.collect import collect_archive
    from grooveledger.run.capture_job import make_capture

    archive = load(read_config(config), Path())
    captures = Path(archive.settings["captures_dir"])
    files = [row["file"] for row in archive.captures]
    jobs = Jobs(archive, inventory.update(output / ".inventory.tsv", captures, files))
    for capture in jobs.captures[first::every]:
        folder = output / "captures" / capture
        make_capture(captures, folder, jobs.run_mapping("capture", capture))
    if every == 1:
        collect_archive(output / "captures", output / "tables", jobs.mapping("collect"))


def start_up_s(stage: str) -> float:
    """Processor time of a stage's script up to its work: python and imports; the least of five."""
    tree = ast.parse((PROJECT / "scripts/rules" / f"{stage}.py").read_text())
    imports = [node for node in tree.body if isinstance(node, (ast.Import, ast.ImportFrom))]
    code = ast.unparse(ast.Module(imports, []))
    if stage == "capture":  # which loads what it has to do when it has
        code += "\nimport grooveledger.segment.job"
        code += "".join(f"\nimport grooveledger.observe.{o.module}" for o in OBSERVATIONS.values())
    # What snakemake puts before a script unpacks its arguments with this; and a first array.
    before = (
        f"import sys\nsys.path[:0] = {[str(PROJECT / p) for p in ('scripts/rules', 'scripts')]}\n"
    )
    before += "import snakemake.iocontainers\n"
    code = f"{before}{code}\nimport pyarrow\npyarrow.array([1.0])"
    return min(cost([sys.executable, "-c", code]).cpu_s for _ in range(5))


def benchmarks(results: Path, stage: str) -> tuple[float, float]:
    """Return the mean wall time of a stage's jobs, s, and the largest memory of any, MB."""
    paths = [*(results / "benchmarks" / stage).glob("*.tsv"), results / f"benchmarks/{stage}.tsv"]
    rows = []
    for path in paths:
        if path.exists():
            with path.open() as file:
                rows += list(csv.DictReader(file, delimiter="\t"))
    memory = [float(row["max_rss"]) for row in rows if row["max_rss"] not in ("NA", "-", "")]
    return statistics.mean(float(row["s"]) for row in rows), max(memory, default=float("nan"))


def workflow(config: Path, cores: int, *targets: str) -> list[str]:
    """Return the command that runs the workflow on an archive."""
    return [
        *(sys.executable, str(Path(__file__).resolve()), "--workflow"),
        *("--snakefile", str(PROJECT / "Snakefile")),
        *("--directory", str(config.parent), "--configfile", str(config), "--cores", str(cores)),
        *("--workflow-profile", str(PROJECT / "workflow/profiles/default")),
        *targets,
    ]


def run_workflow(arguments: Sequence[str]) -> None:
    """Run snakemake in this process, and keep what the jobs alone took beside the results."""
    from snakemake.cli import main as snakemake

    folder = Path(arguments[arguments.index("--directory") + 1])
    try:
        snakemake(arguments)
    finally:
        jobs = resource.getrusage(resource.RUSAGE_CHILDREN)
        (folder / JOBS_CPU).write_text(f"{jobs.ru_utime + jobs.ru_stime}")


def report(folder: Path, config: Path, captures: int, minutes: float, cores: int) -> None:
    """Run everything and print it."""
    results = folder / "results"
    me = [sys.executable, str(Path(__file__).resolve())]
    files = sorted(str(path) for path in (folder / "captures").iterdir())
    decode(files[:1])  # into the system's cache
    bare = cost(*([*me, "--decode", *files[i::cores]] for i in range(cores)))
    shutil.rmtree(folder / "plain", ignore_errors=True)
    loop = cost([*me, "--loop", config, folder / "plain"])
    # Cores that are all at work slow each other down: the same loop, a part of the captures each.
    loops = cost(
        *([*me, "--loop", config, folder / f"plain{i}", f"{i}", f"{cores}"] for i in range(cores))
    )
    shutil.rmtree(results, ignore_errors=True)
    shutil.rmtree(folder / ".snakemake", ignore_errors=True)
    snakemake = workflow(config, cores, str(folder / "results/tables/metrics.parquet"))
    whole = cost(snakemake)
    jobs_cpu_s = float((folder / JOBS_CPU).read_text())
    everything = cost(workflow(config, cores))
    everything = Cost(whole.wall_s + everything.wall_s, whole.cpu_s + everything.cpu_s)
    idle = cost(workflow(config, cores))
    again = cost(*([*me, "--decode", *files[i::cores]] for i in range(cores)))
    decoding = Cost(0.5 * (bare.wall_s + again.wall_s), 0.5 * (bare.cpu_s + again.cpu_s))
    print(f"{captures} captures of {minutes:g} min, {cores} cores; seconds")
    for name, item in (
        ("bare decoding", decoding),
        ("plain loop, one process", loop),
        ("plain loop, one a core", loops),
        ("workflow, its tables", whole),
        ("workflow, everything", everything),
        ("workflow, nothing to do", idle),
    ):
        print(
            f"  {name:26s} wall {item.wall_s:8.1f}  cpu {item.cpu_s:8.1f}  relative to decoding "
            f"{item.wall_s / decoding.wall_s:6.2f} {item.cpu_s / decoding.cpu_s:6.2f}"
        )
    print(
        f"  over the plain loop's cpu, alone: the stages' {jobs_cpu_s / loop.cpu_s:.2f}, with the "
        f"scheduler's {whole.cpu_s / loop.cpu_s:.2f}; one a core: {jobs_cpu_s / loops.cpu_s:.2f}, "
        f"{whole.cpu_s / loops.cpu_s:.2f}"
    )
    equal = all(
        path.read_bytes() == (results / path.relative_to(folder / "plain")).read_bytes()
        for path in sorted((folder / "plain").rglob("*.parquet"))
    )
    print(f"  tables of both equal to the byte: {equal}")
    print("stage                     a job (s)  start-up cpu (s)  memory (MB)")
    for stage in STAGES:
        if not (results / "benchmarks" / stage).exists() and stage != "collect":
            continue  # a side too short for it
        mean_s, memory_mb = benchmarks(results, stage)
        print(f"{stage:25s} {mean_s:9.2f} {start_up_s(stage):17.2f} {memory_mb:12.0f}")


def main() -> None:
    """Run the program."""
    if sys.argv[1:2] == ["--decode"]:
        decode(sys.argv[2:])
        return
    if sys.argv[1:2] == ["--workflow"]:
        run_workflow(sys.argv[2:])
        return
    if sys.argv[1:2] == ["--loop"]:
        plain_loop(Path(sys.argv[2]), Path(sys.argv[3]), *map(int, sys.argv[4:]))
        return
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--captures", type=int, default=24)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=int, default=96_000, help="Hz")
    parser.add_argument("--cores", type=int, default=2)
    arguments = parser.parse_args()
    folder = arguments.folder.resolve()
    config = make_archive(folder, arguments.captures, arguments.rate, side(arguments.minutes))
    report(folder, config, arguments.captures, arguments.minutes, arguments.cores)


if __name__ == "__main__":
    main()
