"""Break runs of the demo archive at random, and see whether its tables come out the same.

python scripts/studies/benchmark_faults.py FOLDER [--kills 30] [--seed 1] [--cores 2]

FOLDER gets a copy of the project and three sets of results: of a run that nothing disturbs; of runs
that are killed at random moments (the whole run, only snakemake, or only one of its jobs), each
going on from what the last one left; and of a run whose disk is too small, gone on with when there
is room. Run it on an idle machine that has the demo's recordings, and delete FOLDER afterwards. The
small disk is a tmpfs, which needs leave to mount one.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import yaml

import library_path  # noqa: F401
from grooveledger.storage import provenance, tables

PROJECT = Path(__file__).parents[2]
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
#: What is killed, and how often of all kills.
VICTIMS = {"run": 0.5, "scheduler": 0.25, "job": 0.25}
#: A run is killed from this soon after its start, or the last kill, to this part of a whole run.
SOONEST_S, LATEST_PART = 0.5, 0.3
#: Part of the results that fits on the small disk.
SMALL_PART = 0.4


class Trial:
    """The demo archive with results of its own, in a folder of its own."""

    def __init__(self, folder: Path, name: str, cores: int) -> None:
        self.folder = folder / name
        self.results = self.folder / "results"
        self.folder.mkdir(parents=True, exist_ok=True)
        config = yaml.safe_load((PROJECT / "config/config.yaml").read_text(encoding="utf-8"))
        for key, value in config.items():
            if isinstance(value, str):
                config[key] = str(self.results if key == "results" else PROJECT / value)
        # Paths in the other files count from the folder that the run starts in.
        shutil.copytree(PROJECT / "config", self.folder / "config")
        (self.folder / "config.yaml").write_text(yaml.safe_dump(config), encoding="utf-8")
        copy = folder / "project"
        self.command = [
            *(sys.executable, str(copy / "scripts/run.py"), str(self.folder / "config.yaml")),
            *("--directory", str(self.folder), "--cores", str(cores)),
        ]

    def start(self) -> subprocess.Popen[bytes]:
        """Start a run in a process group of its own, its output going to run.log.

        Always by the same command: what a killed run leaves behind is the program's to deal with.
        """
        with (self.folder / "run.log").open("wb") as log:
            return subprocess.Popen(
                self.command, env=ENVIRONMENT, stdout=log, stderr=log, start_new_session=True
            )

    def whole(self) -> float:
        """Run to the end; the seconds that it took."""
        begin = time.monotonic()
        if self.start().wait():
            sys.exit(f"a run that nothing disturbs failed: see {self.folder / 'run.log'}")
        return time.monotonic() - begin

    def forget(self) -> None:
        """Remove the results and snakemake's memory."""
        shutil.rmtree(self.results)
        shutil.rmtree(self.folder / ".snakemake")

    def made(self, pattern: str = "*.parquet") -> dict[str, bytes]:
        """Return the content of the results' files of a kind, by path."""
        paths = sorted(self.results.rglob(pattern))
        return {str(path.relative_to(self.results)): path.read_bytes() for path in paths}

    def broken(self) -> list[str]:
        """Name the tables that can't be read or don't state their origin."""
        found = []
        for path in sorted(self.results.rglob("*.parquet")):
            try:
                tables.read(path)
                if not provenance.origin(path).get("job"):
                    found.append(str(path))
            except (OSError, ValueError):
                found.append(str(path))
        return found


def processes_of(run: subprocess.Popen[bytes], part: bytes) -> list[int]:
    """Return process ids of a run's group whose command line has a part."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit() or int(entry.name) == run.pid:
            continue
        try:
            if os.getpgid(int(entry.name)) != run.pid:
                continue
            if part in (entry / "cmdline").read_bytes():
                found.append(int(entry.name))
        except OSError:  # it has ended
            continue
    return sorted(found)


def kill(run: subprocess.Popen[bytes], victim: str, chance: random.Random) -> str:
    """Kill with SIGKILL what a name of `VICTIMS` says; returns what was killed in fact."""
    jobs = processes_of(run, b"/.snakemake/scripts/")
    if victim == "job" and jobs:
        os.kill(chance.choice(jobs), signal.SIGKILL)
        return "job"
    if victim == "scheduler":
        # Its jobs go on, into the next run.
        for process in processes_of(run, b"--snakefile"):
            os.kill(process, signal.SIGKILL)
        run.wait()
        return f"scheduler, with {len(jobs)} jobs at work"
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    return "run"


def killed(archive: Trial, kills: int, whole_s: float, chance: random.Random) -> None:
    """Kill runs of an archive at random moments, and report each."""
    run, count, ended = None, 0, Counter[str]()
    names, weights = list(VICTIMS), list(VICTIMS.values())
    while count < kills:
        run = run or archive.start()
        pause_s = chance.uniform(SOONEST_S, LATEST_PART * whole_s)
        try:
            status = run.wait(pause_s)
        except subprocess.TimeoutExpired:
            count += 1
            what = kill(run, chance.choices(names, weights)[0], chance)
            print(
                f"kill {count:2d} after {pause_s:5.1f} s: {what}; {len(archive.made())} tables, "
                f"{len(archive.broken())} of them broken",
                flush=True,
            )
            run = run if what == "job" else None
            continue
        ended["whole" if status == 0 else "reported its killed job"] += 1
        if status == 0:
            archive.forget()
        run = None
    if run:
        os.killpg(run.pid, signal.SIGKILL)
        run.wait()
    print(f"runs that ended between the kills: {dict(ended)}")


def mount(*arguments: str) -> bool:
    """Mount something; return whether that worked."""
    try:
        return (
            subprocess.run(["mount", *arguments], capture_output=True, check=False).returncode == 0
        )
    except FileNotFoundError:
        return False


def filled(archive: Trial, undisturbed: Trial) -> bool:
    """Run on a disk that is too small, then go on with room; False where none can be mounted."""
    size = sum(path.stat().st_size for path in undisturbed.results.rglob("*") if path.is_file())
    archive.results.mkdir(exist_ok=True)
    small = f"size={int(SMALL_PART * size)}"
    if not mount("-t", "tmpfs", "-o", small, "tmpfs", str(archive.results)):
        return False
    try:
        status = archive.start().wait()
        said = (archive.folder / "run.log").read_text(errors="replace")
        print(
            f"full disk: exit status {status}, 'No space left' reported "
            f"{said.count('No space left')} times; {len(archive.made())} tables, "
            f"{len(archive.broken())} of them broken"
        )
        mount("-o", f"remount,size={10 * size}", str(archive.results))
        archive.whole()
        compare("with room again", archive, undisturbed)
    finally:
        subprocess.run(["umount", "-l", str(archive.results)], check=True)
    return True


def compare(what: str, archive: Trial, undisturbed: Trial) -> None:
    """Print how many tables are byte-equal to those of the undisturbed run."""
    for kind in ("*.parquet", "*.csv", "*.html"):
        expected, found = undisturbed.made(kind), archive.made(kind)
        equal = sum(found.get(name) == content for name, content in expected.items())
        extra = sorted(set(found) - set(expected))
        print(f"{what}: {equal} of {len(expected)} {kind} byte-equal, {len(extra)} too many")


def main() -> None:
    """Run the program."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kills", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cores", type=int, default=2)
    arguments = parser.parse_args()
    folder = arguments.folder.resolve()
    for part in ("workflow", "scripts"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(PROJECT / part, folder / "project" / part, ignore=ignored)
    shutil.copy(PROJECT / "Snakefile", folder / "project")
    undisturbed = Trial(folder, "undisturbed", arguments.cores)
    whole_s = undisturbed.whole()
    print(f"undisturbed: {len(undisturbed.made())} tables in {whole_s:.0f} s", flush=True)
    archive = Trial(folder, "killed", arguments.cores)
    killed(archive, arguments.kills, whole_s, random.Random(arguments.seed))
    print(f"clean run after the kills: {archive.whole():.0f} s")
    compare("after the kills", archive, undisturbed)
    if not filled(Trial(folder, "full", arguments.cores), undisturbed):
        print("full disk: not tried, no disk can be mounted here")


if __name__ == "__main__":
    main()
