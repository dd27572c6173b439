"""The table of rules: what each reads and makes, once; everything that names a rule quotes it.

Jobs, preview and staleness are derived from it, the workflow's files take their settings and
results from it, and a test compares it with the graph that Snakemake builds.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from grooveledger.measure.job import MEASURED
from grooveledger.measure.quantities import MEASURES
from grooveledger.observe import job as observe
from grooveledger.run.capture_job import SEGMENTED

PROJECT = Path(__file__).parents[3]
#: The scripts of the rules, and the library.
SCRIPTS, LIBRARY = PROJECT / "scripts" / "rules", PROJECT / "scripts" / "grooveledger"
#: What one job of a rule is for.
Subject = Literal["capture", "stylus", "cartridge", "archive"]
#: Parts of the configuration that a rule may read besides its settings, see `jobs.Jobs`.
Part = Literal[
    "recording",
    "side",
    "copy",
    "other_sides",
    "channels",
    "sheet",
    "neighbours",
    "rpm",
    "chain",
    "cartridge",
    "captures",
    "styli",
    "cartridges",
    "chains",
    "pages",
]
#: Tables of the archive that stage 4 makes.
COLLECTED = ("captures", "tracks", *MEASURES, "metrics", "budgets")


@dataclass(frozen=True)
class Rule:
    """One step from recordings to pages: the least that is made again by itself.

    Attributes
    ----------
    work : str
        What it does, said of what it works on.
    subject : Subject
        What one job of it is for.
    makes : tuple of str
        Files below the results, ``{name}`` being the subject's; without an ending, folders.
    settings : tuple of str
        Keys of the configuration that it reads.
    parts : tuple of Part
        Other parts of the configuration that it reads.
    reads : tuple of str
        Rules whose results it reads, of the same subject or of the archive.
    decodes : bool
        Whether it reads recordings.
    code : tuple of Path
        The modules whose code it runs, where that is not a script of its name.
    run_by : str
        Rule of the workflow that runs it, where that has another name: the stages of a capture
        share a process, and so do the pages of several captures.
    """

    work: str
    subject: Subject
    makes: tuple[str, ...]
    settings: tuple[str, ...] = ()
    parts: tuple[Part, ...] = ()
    reads: tuple[str, ...] = ()
    decodes: bool = False
    code: tuple[Path, ...] = ()
    run_by: str = ""


def _of_capture(*names: str) -> tuple[str, ...]:
    return tuple(f"captures/{{name}}/{name}.parquet" for name in names)


def _of_archive(*names: str) -> tuple[str, ...]:
    return tuple(f"tables/{name}.parquet" for name in names)


def _observation(name: str, setting: str, work: str) -> Rule:
    module, _, made = observe.OBSERVATIONS[name]
    return Rule(
        work=work,
        subject="capture",
        makes=_of_capture(*(f"observations/{table.name}" for table in made)),
        settings=(setting,),
        parts=("recording", "side"),
        reads=("segment",),
        decodes=True,
        code=(LIBRARY / "observe" / "job.py", LIBRARY / "observe" / f"{module}.py"),
        run_by="capture",
    )


#: The observations of stage 2, each of which a change can concern alone.
OBSERVATIONS: Mapping[str, Rule] = {
    name: _observation(name, setting, work)
    for name, setting, work in (
        ("observe_orders", "orders", "read the orders of"),
        ("observe_speed_trace", "speed", "follow the speed of"),
        ("observe_noise_density", "noise", "analyse the noise of"),
    )
}
INVENTORY: tuple[Part, ...] = ("styli", "cartridges", "chains")
#: Every rule by its name, in the order of the data's flow.
RULES: Mapping[str, Rule] = {
    "segment": Rule(
        work="locate the tracks of",
        subject="capture",
        makes=_of_capture(*SEGMENTED),
        settings=("segment",),
        parts=("recording", "side", "other_sides", "channels"),
        decodes=True,
        code=(LIBRARY / "segment" / "job.py",),
        run_by="capture",
    ),
    **OBSERVATIONS,
    "measure": Rule(
        work="calculate the figures of",
        subject="capture",
        makes=_of_capture(*MEASURED),
        settings=(*MEASURES, "remarks", "mains_hz"),
        parts=("copy", "chain", "cartridge"),
        reads=("segment", *OBSERVATIONS),
        code=(LIBRARY / "measure" / "job.py",),
        run_by="capture",
    ),
    "collect": Rule(
        work="join the tables of all captures",
        subject="archive",
        makes=_of_archive(*COLLECTED),
        parts=("captures",),
        reads=("segment", "measure"),
    ),
    "drift": Rule(
        work="fit the drift of every figure",
        subject="archive",
        makes=_of_archive("drift", "stylus_states", "control", "odd_captures", "advice"),
        settings=("drift",),
        parts=INVENTORY,
        reads=("collect",),
    ),
    "loading": Rule(
        work="calculate the effect of loads and arms",
        subject="archive",
        makes=_of_archive("loading", "loading_checks", "coils", "arm_match"),
        settings=("loading",),
        parts=INVENTORY,
        reads=("collect",),
    ),
    "ratings": Rule(
        work="compare figures with data sheets",
        subject="archive",
        makes=_of_archive("ratings", "comparison"),
        settings=("ratings",),
        parts=INVENTORY,
        reads=("collect",),
    ),
    "capture_page": Rule(
        work="write the page of",
        subject="capture",
        makes=("report/captures/{name}.html", "report/captures/{name}"),
        parts=("sheet", "neighbours", "rpm", "chain", "cartridge"),
        reads=("segment", "observe_speed_trace", "observe_noise_density", "measure"),
        run_by="capture_pages",
    ),
    "stylus_page": Rule(
        work="write the page of",
        subject="stylus",
        makes=("report/styli/{name}.html", "report/styli/{name}", "figures/{name}"),
        parts=INVENTORY,
        reads=("measure", "collect", "drift"),
    ),
    "loading_page": Rule(
        work="write the loading page of",
        subject="cartridge",
        makes=("report/loading/{name}.html", "report/loading/{name}"),
        settings=("loading",),
        parts=INVENTORY,
        reads=("collect", "loading"),
    ),
    "index_pages": Rule(
        work="write the first page and the comparison",
        subject="archive",
        makes=("report/index.html", "report/comparison.html", "report/comparison"),
        settings=("ratings",),
        parts=INVENTORY,
        reads=("measure", "collect", "drift", "loading", "ratings"),
    ),
    "methods_pages": Rule(
        work="write the pages of methods",
        subject="archive",
        makes=("report/methods",),
        parts=("pages",),
    ),
    "export": Rule(
        work="write the workbook and the CSV files",
        subject="archive",
        makes=("export/archive.xlsx", "export/csv"),
        settings=("report",),
        parts=INVENTORY,
        reads=("collect", "drift", "loading", "ratings"),
    ),
}
#: Rules of stages 1 to 3, which one job of a capture runs.
OF_CAPTURE = tuple(name for name, rule in RULES.items() if rule.run_by == "capture")
#: Captures whose pages one job writes: a process's start then costs little beside them.
PAGES_A_JOB = 10


def code_of(name: str) -> tuple[Path, ...]:
    """Return the modules whose code a rule runs."""
    return RULES[name].code or (SCRIPTS / f"{RULES[name].run_by or name}.py",)
