"""Reading the configuration: the archive, the inventory of its captures, the mapping of each job."""

import os
import sys
from pathlib import Path

# The library is imported from its folder: here, and by the scripts of the rules.
LIBRARY = str(Path(workflow.basedir) / "scripts")
sys.path.insert(0, LIBRARY)
os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [LIBRARY, os.environ.get("PYTHONPATH")]))

from grooveledger.run import inventory, staleness
from grooveledger.configuration import load, read_config
from grooveledger.faults import ConfigurationFaults, Fault
from grooveledger.run.jobs import COLLECTED, INTERPRETERS, Jobs
from grooveledger.measure.quantities import MEASURES


def stopped(faults):
    """Tell every fault and stop before any job."""
    print(f"{len(faults.faults)} fault(s) in the configuration, nothing was run:", file=sys.stderr)
    for fault in faults.faults:
        print(f"  {fault}", file=sys.stderr)
    sys.exit(2)


def read_archive():
    """The checked configuration."""
    name = workflow.configfiles[0] if workflow.configfiles else "config.yaml"
    try:
        # Read once more by our own reader: it tells doubled keys, which snakemake's passes over.
        read_config(Path(name))
        return load(config, Path.cwd(), str(name))
    except ConfigurationFaults as faults:
        stopped(faults)


def read_jobs(archive):
    """Every job, its captures known by content; those whose results are there but stale, marked."""
    captures_dir, results = (Path(archive.settings[key]) for key in ("captures_dir", "results"))
    files = [row["file"] for row in archive.captures]
    try:
        jobs = Jobs(archive, inventory.update(results / ".inventory.tsv", captures_dir, files))
        # The processes of single jobs, on a cluster's nodes, run what they are told to.
        if not workflow.is_main_process:
            return jobs, frozenset()
        stale = staleness.stale_jobs(jobs, results)
        staleness.check_captures_dir(stale, captures_dir)
        return jobs, staleness.mark(stale, results)
    except ConfigurationFaults as faults:
        stopped(faults)
    except OSError as error:
        problem = f"can't be written ({error.strerror})"
        remedy = "Make room or give leave to write there, or name another folder as results."
        stopped(ConfigurationFaults([Fault(str(results), "", problem, remedy)]))


ARCHIVE = read_archive()
RESULTS = ARCHIVE.settings["results"]
JOBS, STALE = read_jobs(ARCHIVE)
CAPTURE = f"{RESULTS}/captures/{{capture}}"
OBSERVATIONS = f"{CAPTURE}/observations"
TABLES = f"{RESULTS}/tables"
REPORT = f"{RESULTS}/report"
ARCHIVE_TABLES = [f"{TABLES}/{name}.parquet" for name in COLLECTED]
INTERPRETED_TABLES = [
    f"{RESULTS}/{output}"
    for _, _, outputs in INTERPRETERS.values()
    for output in outputs
    if output.endswith(".parquet")
]


IDENTIFIER = r"[A-Za-z0-9][A-Za-z0-9._-]*"


wildcard_constraints:
    capture=IDENTIFIER,
    stylus=IDENTIFIER,
    cartridge=IDENTIFIER,


def of_captures(*patterns):
    """Files of every capture of the sheet: never a glob, so that a removed row leaves nothing behind.

    Capture by capture, so that a batch of a rule's inputs is some of the captures.
    """
    return [pattern.format(capture=capture) for capture in JOBS.captures for pattern in patterns]


def mapping_of(rule):
    """Params of a rule: the mapping of the job that its wildcards name."""

    def mapping(wildcards):
        return JOBS.mapping(rule, *wildcards)

    return mapping


def grown(amount):
    """Resource of a rule: what it needs, and as much again for each attempt that failed."""

    def resource(wildcards, attempt):
        return amount * attempt

    return resource


def stale_mark(rule):
    """Input of a rule: the mark, where the job's results are there but were made otherwise."""

    def mark(wildcards):
        return [f"{RESULTS}/{staleness.MARK}"] if (rule, *wildcards, "")[:2] in STALE else []

    return mark


def measure_observations(wildcards):
    files = []
    for observation in JOBS.observations(wildcards.capture):
        files.append(f"{OBSERVATIONS}/{observation}.parquet".format(capture=wildcards.capture))
        if observation == "orders":
            files.append(f"{OBSERVATIONS}/tone_spectrum.parquet".format(capture=wildcards.capture))
    return files


def everything():
    """Every file that the archive gives."""
    pages = [f"{REPORT}/index.html", f"{REPORT}/methods"]
    pages += of_captures(f"{REPORT}/captures/{{capture}}.html")
    pages += [f"{REPORT}/styli/{stylus}.html" for stylus in ARCHIVE.styli]
    pages += [f"{REPORT}/loading/{cartridge}.html" for cartridge in ARCHIVE.cartridges]
    return [*ARCHIVE_TABLES, *INTERPRETED_TABLES, *pages, f"{RESULTS}/export/archive.xlsx"]
