"""What the scripts of the rules share: the way to the capture, times taken."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any


def capture_path(config: Mapping[str, Any], job: Mapping[str, Any]) -> Path:
    """Return the file of a job's capture.

    It is no input of the rule: its content stands in the job's mapping as a digest, so that an
    archive that moves to another disk re-runs nothing.
    """
    return Path(config["captures_dir"]) / job["file"]


def note_seconds(config: Mapping[str, Any], name: str, took: Mapping[str, float]) -> None:
    """Note what each part of a job took, beside the benchmarks that Snakemake writes of whole jobs.

    Parameters
    ----------
    name : str
        Of the capture.
    took : mapping
        Seconds by rule.
    """
    for rule, seconds in took.items():
        path = Path(config["results"]) / "benchmarks" / rule / f"{name}.tsv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"s\n{seconds:.4f}\n", encoding="utf-8")
