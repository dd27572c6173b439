"""Measure what the number of captures costs: a run, a run with nothing to do, one capture more.

python scripts/studies/benchmark_scale.py FOLDER [--counts 100 1000] [--graph 10000]

FOLDER gets an archive a count, of one short simulated recording under as many names; run on an idle
machine and delete it afterwards. Everything is made: tables, pages, workbook. With --graph only the
graph of all jobs is built for this many captures, by a dry run.
"""

import argparse
import os
import resource
from pathlib import Path
from typing import Any

from benchmark import cost, make_archive, workflow

RATE_HZ = 44_100
CORES = 2
#: Short, yet with every job that a capture can have.
SIDE: dict[str, Any] = {
    "gap_s": 1.5,
    "tracks": [
        {"track": 1, "kind": "tone", "modulation": "left", "frequency_hz": 1000,
         "velocity_cm_s": 3.5, "duration_s": 2},
        {"track": 2, "kind": "tone", "modulation": "right", "frequency_hz": 1000,
         "velocity_cm_s": 3.5, "duration_s": 2},
        {"track": 3, "kind": "sweep", "modulation": "left", "start_hz": 500, "stop_hz": 15000,
         "recorded": "iec98", "velocity_cm_s": 1.0, "duration_s": 4},
        {"track": 4, "kind": "silent_groove", "duration_s": 2.5},
        {"track": 5, "kind": "tone", "purpose": "speed", "modulation": "lateral",
         "frequency_hz": 3150, "velocity_cm_s": 3.0, "duration_s": 6},
    ],
}  # fmt: skip


def graphs(folder: Path, counts: list[int]) -> None:
    """Build the graph of all jobs of archives of which nothing was made yet."""
    print("captures  graph (s)  its cpu (s)  memory (MB)")
    for count in sorted(counts):
        config = make_archive(folder / f"graph{count}", count, RATE_HZ, SIDE)
        dry_run = [*workflow(config, CORES), "--dry-run", "--quiet", "all"]
        cost(dry_run)  # reads every recording once, for its digest
        built = cost(dry_run)
        memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        print(f"{count:8d} {built.wall_s:10.1f} {built.cpu_s:12.1f} {memory_mb:12.0f}", flush=True)


def main() -> None:
    """Run the program."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--counts", type=int, nargs="+", default=[100, 1000])
    parser.add_argument("--graph", type=int, nargs="+", default=[])
    arguments = parser.parse_args()
    if arguments.graph:
        graphs(arguments.folder.resolve(), arguments.graph)
        return
    print("captures  all (s)  of one (s)  its cpu (s)  no work (s)  one more (s)  memory (MB)")
    for count in arguments.counts:
        folder = arguments.folder.resolve() / str(count)
        config = make_archive(folder, count, RATE_HZ, SIDE)
        whole = cost(workflow(config, CORES))
        os.sync()  # or the next figure would hold what the disk still does for this one
        idle = cost(workflow(config, CORES))
        make_archive(folder, count + 1, RATE_HZ, SIDE)
        index = str(folder / "results/report/index.html")
        more = cost(workflow(config, CORES, "tables", index))
        # Of the largest process so far: snakemake itself, or a job.
        memory_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        each_s, each_cpu_s = whole.wall_s / count, whole.cpu_s / count
        print(
            f"{count:8d} {whole.wall_s:8.1f} {each_s:11.3f} {each_cpu_s:12.3f} {idle.wall_s:12.1f} "
            f"{more.wall_s:13.1f} {memory_mb:12.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
