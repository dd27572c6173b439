"""Reading the configuration: the archive, the inventory of its captures, the mapping of each job."""

import os
import sys
from pathlib import Path

# The library is imported from its folder: here, and by the scripts of the rules.
LIBRARY = str(Path(workflow.basedir) / "scripts")
sys.path.insert(0, LIBRARY)
os.environ |= {"PYTHONPATH": os.pathsep.join(filter(None, [LIBRARY, os.getenv("PYTHONPATH")]))}

from grooveledger.run import inventory, lock, staleness
from grooveledger.configuration import described, load, read_config
from grooveledger.faults import ConfigurationFaults, Fault
from grooveledger.run.jobs import Jobs
from grooveledger.run.rules import COLLECTED, RULES


def stopped(faults):
    """Print every fault and stop before any job."""
    print(f"{len(faults.faults)} fault(s) in the configuration, nothing was run:", file=sys.stderr)
    for fault in faults.faults:
        print(f"  {fault}", file=sys.stderr)
    sys.exit(2)


def read_archive():
    """The checked configuration."""
    name = workflow.configfiles[0] if workflow.configfiles else "config.yaml"
    try:
        # Read again by our own reader: it reports duplicate keys, which Snakemake's passes over.
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
        # The processes of single jobs, on a cluster's nodes, run the jobs they were given.
        if not workflow.is_main_process:
            return jobs, frozenset()
        stale = staleness.stale_jobs(jobs, results)
        staleness.check_captures_dir(stale, captures_dir)
        return jobs, staleness.mark(stale, jobs, results)
    except ConfigurationFaults as faults:
        stopped(faults)
    except OSError as error:
        problem = f"can't be written ({error.strerror})"
        remedy = "Free some space or allow writing there, or name another folder as results."
        stopped(ConfigurationFaults([Fault(str(results), "", problem, remedy)]))


def only_run():
    """Stop where another run of the archive is at work; else lock it until this process ends."""
    owner = lock.hold(Path(RESULTS)) if workflow.is_main_process else None
    if owner:
        print(lock.refusal(owner), file=sys.stderr)
        sys.exit(2)


def without_timers():
    """Keep Snakemake from asking for the next job more and more often.

    Its limit of jobs a second leaves a timer behind for every job, and each of them asks again every
    second: of 1,000 captures they took a third of a core. On this machine cores are limit enough.
    """
    if workflow.local_exec:
        workflow.scheduler.job_rate_limiter = None


ARCHIVE = read_archive()
RESULTS = ARCHIVE.settings["results"]
JOBS, STALE = read_jobs(ARCHIVE)
CAPTURE = f"{RESULTS}/captures/{{capture}}"
TABLES = f"{RESULTS}/tables"
REPORT = f"{RESULTS}/report"
ARCHIVE_TABLES = [f"{TABLES}/{name}.parquet" for name in COLLECTED]
INTERPRETED_TABLES = [
    f"{RESULTS}/{made}"
    for rule in ("drift", "loading", "ratings")
    for made in RULES[rule].makes
]


IDENTIFIER = r"[A-Za-z0-9][A-Za-z0-9._-]*"


wildcard_constraints:
    capture=IDENTIFIER,
    stylus=IDENTIFIER,
    cartridge=IDENTIFIER,
    batch=r"\d+",


def of_captures():
    """Scalars of every capture of the sheet, for all of their tables.

    Never a glob, so that a removed row leaves nothing behind; capture by capture, so that a batch of
    a rule's inputs is some of the captures.
    """
    return [f"{CAPTURE}/metrics.parquet".format(capture=capture) for capture in JOBS.captures]


def mapping_of(rule):
    """Params of a rule: what the job that its wildcards name depends on, by the table of rules."""

    def mapping(wildcards):
        return JOBS.run_mapping(rule, *wildcards)

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


def of_stylus(wildcards):
    """Scalars of a stylus's captures, for all of their tables."""
    captures = [row["capture"] for row in ARCHIVE.captures if row["stylus"] == wildcards.stylus]
    return [f"{CAPTURE}/metrics.parquet".format(capture=capture) for capture in captures]


def of_batch(wildcards):
    """Scalars of the captures whose pages one job writes, for all of their tables."""
    captures = JOBS.page_batches[wildcards.batch]
    return [f"{CAPTURE}/metrics.parquet".format(capture=capture) for capture in captures]


def figures_before(wildcards):
    """Figures of the captures with which those of a batch are compared."""
    before = map(JOBS.before, JOBS.page_batches[wildcards.batch])
    return [f"{RESULTS}/captures/{capture}/metrics.parquet" for capture in before if capture]


def everything():
    """Every file that the archive gives."""
    pages = [f"{REPORT}/index.html", f"{REPORT}/methods"]
    pages += [f"{REPORT}/captures/.written-{batch}" for batch in JOBS.page_batches]
    pages += [f"{REPORT}/styli/{stylus}.html" for stylus in ARCHIVE.styli]
    pages += [f"{REPORT}/loading/{cartridge}.html" for cartridge in ARCHIVE.cartridges]
    made = [*ARCHIVE_TABLES, *INTERPRETED_TABLES, *pages, f"{RESULTS}/export/archive.xlsx"]
    return [*made, f"{TABLES}/.complete"]
