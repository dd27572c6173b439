"""A copy of the project and an archive in a folder of its own, for tests that run the workflow."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

PROJECT = Path(__file__).parents[2]
PARTS = ("Snakefile", "workflow", "scripts")
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
#: The library's own account of what has to run, of the copy of the project that a test edits.
ACCOUNT = """
import json, sys
from pathlib import Path
from grooveledger.run import inventory
from grooveledger.configuration import load, read_config
from grooveledger.run.jobs import Jobs
from grooveledger.run.staleness import stale_jobs
archive = load(read_config(Path(sys.argv[1])), Path())
results = Path(archive.settings["results"])
files = [row["file"] for row in archive.captures]
found = inventory.update(results / ".inventory.tsv", Path(archive.settings["captures_dir"]), files)
stale = stale_jobs(Jobs(archive, found), results)
print(json.dumps([(item.job.rule, item.job.name) for item in stale]))
"""


@dataclass(frozen=True)
class Workspace:
    """A copy of the project, and the folder of an archive with its config.yaml."""

    project: Path
    folder: Path

    @property
    def config(self) -> Path:
        return self.folder / "config.yaml"

    @property
    def results(self) -> Path:
        return self.folder / "results"

    def command(self, *arguments: str) -> list[str]:
        return [
            *(sys.executable, "-m", "snakemake", "--snakefile", str(self.project / "Snakefile")),
            *("--directory", str(self.folder), "--configfile", str(self.config)),
            *("--workflow-profile", str(self.project / "workflow/profiles/default")),
            *arguments,
        ]

    def program(self, *arguments: str) -> list[str]:
        """The command that a person starts, on two cores."""
        run = [sys.executable, str(self.project / "scripts/run.py"), str(self.config)]
        return [*run, "--directory", str(self.folder), "--cores", "2", *arguments]

    def snakemake(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(*arguments), capture_output=True, text=True, env=ENVIRONMENT, check=False
        )

    def run(self, *arguments: str) -> str:
        ended = self.snakemake("--cores", "2", *arguments)
        output = ended.stdout + ended.stderr
        assert ended.returncode == 0, output
        return output

    def planned(self, *targets: str) -> dict[str, int]:
        """Jobs of each rule that Snakemake would run."""
        output = self.run("--dry-run", *targets)
        if "Nothing to be done" in output:
            return {}
        table = output.partition("Job stats:")[2].partition("\ntotal")[0]
        counts = {
            rule: int(count) for rule, count in re.findall(r"^(\w+) +(\d+)$", table, re.MULTILINE)
        }
        for aggregate in ("all", "complete"):
            counts.pop(aggregate, None)
        return counts

    def account(self) -> dict[str, int]:
        """Jobs of each rule that the results' own provenance says have to run."""
        ended = subprocess.run(
            [sys.executable, "-c", ACCOUNT, str(self.config)],
            capture_output=True,
            text=True,
            env={**ENVIRONMENT, "PYTHONPATH": str(self.project / "scripts")},
            check=False,
        )
        assert ended.returncode == 0, ended.stderr
        return dict(Counter(rule for rule, _ in json.loads(ended.stdout)))

    def copied(self, folder: Path) -> "Workspace":
        """The same archive, results and Snakemake's memory in another folder, times kept."""
        shutil.copytree(self.folder, folder, symlinks=True)
        for path in (folder / "config.yaml",):
            path.write_text(path.read_text().replace(str(self.folder), str(folder)))
        return replace(self, folder=folder)


@contextmanager
def edited(path: Path, old: str, new: str) -> Iterator[None]:
    """A file with some text replaced, for a while."""
    before = path.read_bytes()
    text = before.decode()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    try:
        yield
    finally:
        path.write_bytes(before)


def copy_project(folder: Path, parts: Sequence[str] = PARTS) -> Path:
    for part in parts:
        source = PROJECT / part
        if source.is_dir():
            ignored = shutil.ignore_patterns("__pycache__")
            shutil.copytree(source, folder / part, ignore=ignored)
        else:
            folder.mkdir(parents=True, exist_ok=True)
            shutil.copy(source, folder / part)
    return folder


def made(workspace: Workspace) -> dict[str, bytes]:
    """Every table below the results, by its path there."""
    return {
        str(path.relative_to(workspace.results)): path.read_bytes()
        for path in sorted(workspace.results.rglob("*.parquet"))
    }
