"""Run the workflow and end with what was measured, what was rejected and where to look.

Every argument goes on to snakemake, except --keep-snapshot NAME, which first keeps the results as
they are under that name (see scripts/compare.py).
"""

import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[1]
PROFILE = PROJECT / "workflow" / "profiles" / "default"


def main(arguments: list[str]) -> int:
    """Run with the arguments of a command line; returns snakemake's exit status."""
    name, arguments = taken(arguments, "--keep-snapshot")
    config_file = value_of(arguments, "--configfile")
    directory = Path(value_of(arguments, "--directory") or PROJECT)
    if config_file is None:
        demo = subprocess.run(
            [sys.executable, PROJECT / "scripts" / "simulate_demo.py"], check=False
        )
        if demo.returncode:
            return demo.returncode
        config_file = str(PROJECT / "config" / "config.yaml")
    if name is not None:
        from grooveledger.run import snapshot

        print(f"kept: {snapshot.keep(results_of(config_file, directory), name)}")
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(PROJECT / "Snakefile")]
    if not given(arguments, "--directory"):
        command += ["--directory", str(PROJECT)]
    # A profile of another kind says itself how much it takes.
    profiles = ("--workflow-profile", "--profile")
    if not given(arguments, "--cores", "-c", "--executor", "-j", "--jobs", *profiles):
        command += ["--cores", "all"]
    if not given(arguments, "--workflow-profile"):
        command += ["--workflow-profile", str(PROFILE)]
    arguments = absolute_config(arguments)
    status = subprocess.run([*command, *arguments], check=False).returncode
    if not given(arguments, "-n", "--dry-run", "--unlock", "--lint", "--report"):
        print(summary(results_of(config_file, directory), status))
    return status


def summary(results: Path, status: int) -> str:
    """What a person wants to know at the end of a run."""
    from grooveledger.report.summary import lines

    try:
        said = lines(results)
    except OSError:  # no tables yet
        said = []
    if status:
        said.append(
            "The run did not complete: the messages above say why. What was finished is kept; the "
            "same command goes on from there."
        )
    return "\n".join(["", *said])


def results_of(config_file: str, directory: Path) -> Path:
    """Folder of the results that a configuration names."""
    from grooveledger.configuration import read_config

    return directory / read_config(Path(config_file)).get("results", "results")


def given(arguments: list[str], *names: str) -> bool:
    """Whether any of the options is among the arguments."""
    return any(
        argument == name or argument.startswith(f"{name}=")
        for argument in arguments
        for name in names
    )


def value_of(arguments: list[str], name: str) -> str | None:
    """Value of an option, given as two arguments or as one with an equals sign."""
    return taken(arguments, name)[0]


def taken(arguments: list[str], name: str) -> tuple[str | None, list[str]]:
    """Value of an option and the arguments without it."""
    for i, argument in enumerate(arguments):
        if argument == name and i + 1 < len(arguments):
            return arguments[i + 1], arguments[:i] + arguments[i + 2 :]
        if argument.startswith(f"{name}="):
            return argument.partition("=")[2], arguments[:i] + arguments[i + 1 :]
    return None, arguments


def absolute_config(arguments: list[str]) -> list[str]:
    """Arguments with the configuration's path made absolute: snakemake changes its directory."""
    config_file, rest = taken(arguments, "--configfile")
    if config_file is None:
        return arguments
    return [*rest, "--configfile", str(Path(config_file).absolute())]


if __name__ == "__main__":
    from grooveledger.faults import ConfigurationFaults

    try:
        sys.exit(main(sys.argv[1:]))
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        sys.exit(2)
