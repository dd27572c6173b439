"""Groove Ledger: from a directory of captures of test records to tables a person can trust."""

from snakemake.utils import min_version

min_version("9.27")

# Without --configfile the demo archive is measured; with it, nothing of the demo's leaks in.
if not config:

    configfile: "config/config.yaml"


report: "workflow/report/workflow.rst"


include: "workflow/rules/common.smk"
include: "workflow/rules/capture.smk"
include: "workflow/rules/collect.smk"
include: "workflow/rules/interpret.smk"


onstart:
    only_run()
    without_timers()
    described.keep(ARCHIVE, Path(RESULTS))


rule all:
    default_target: True
    """Everything: tables, figures, pages, workbook."""
    input:
        everything(),


rule tables:
    """The archive-wide tables alone."""
    input:
        ARCHIVE_TABLES,
        INTERPRETED_TABLES,
        f"{TABLES}/.complete",
