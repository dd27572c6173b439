"""Run snakemake's linter and keep every finding but one.

The one: a conda environment or container per rule. The lock file is the environment of all rules.
"""

import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[2]
ACCEPTED = "Specify a conda environment or container for each rule."


def main() -> int:
    """Print the findings; 1 where there are any, or where the linter itself fails."""
    command = [sys.executable, "-m", "snakemake", "--snakefile", "Snakefile", "--lint"]
    lint = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
    report = lint.stdout + lint.stderr
    place, findings, accepted = "", 0, 0
    for line in report.splitlines():
        if line.startswith("Lints for "):
            place = line.removeprefix("Lints for ")
        elif line.startswith("    * "):
            title = line.removeprefix("    * ").rstrip(":")
            if title == ACCEPTED:
                accepted += 1
            else:
                findings += 1
                print(f"{place} {title}", file=sys.stderr)
    if lint.returncode and not findings and not accepted:
        print(report, file=sys.stderr)
        return 1
    return 1 if findings else 0


if __name__ == "__main__":
    sys.exit(main())
