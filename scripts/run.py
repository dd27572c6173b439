"""Measure an archive: the demo, or with CONFIG.yaml your own.

./scripts/run.sh [CONFIG.yaml] [options] [-- options of Snakemake]

Only what is new or has changed is measured. The same command continues after an interruption.
"""

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path

PROJECT = Path(__file__).parents[1]
SCRIPTS = PROJECT / "scripts"
PROFILES = PROJECT / "workflow" / "profiles"
DEMO = PROJECT / "config" / "config.yaml"
#: What can be asked for by name; anything else is a file below the results.
TARGETS = ("tables", "all")
ENDINGS = (".yaml", ".yml")
EXAMPLES = """examples:
  ./scripts/run.sh                            the demo archive
  ./scripts/run.sh my-archive/config.yaml     your own
  ./scripts/run.sh my-archive/config.yaml --dry-run
  ./scripts/run.sh my-archive/config.yaml tables --batch 1/10
"""


def parsed(words: list[str]) -> argparse.Namespace:
    """Read a command line; what follows ``--`` goes to Snakemake as it is."""
    own, _, snakemake = _split(words)
    parser = argparse.ArgumentParser(
        prog="run.sh",
        usage="run.sh [CONFIG.yaml] [tables] [options] [-- options of Snakemake]",
        description="\n".join(__doc__.splitlines()[:1] + __doc__.splitlines()[4:]),
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument(
        "words", nargs="*", metavar="CONFIG.yaml", help="the archive's configuration"
    )
    parser.add_argument("--configfile", type=Path, metavar="CONFIG.yaml", help="the same, by name")
    parser.add_argument(
        "--directory", type=Path, default=PROJECT, help="what relative paths in it count from"
    )
    parser.add_argument("--cores", metavar="N", help="processors to use (default: all)")
    parser.add_argument(
        "-n", "--dry-run", action="store_true", help="say what would be made and why; make nothing"
    )
    parser.add_argument(
        "--keep-snapshot", metavar="NAME", help="first keep the results as they are, for compare.py"
    )
    parser.add_argument(
        "--batch", metavar="I/N", help="measure one part in N of the captures: 1/10, 2/10, ..."
    )
    parser.add_argument(
        "--workflow-profile",
        type=Path,
        metavar="FOLDER",
        help="how to run: workflow/profiles/slurm for a cluster",
    )
    parser.add_argument("--verbose", action="store_true", help="show the scheduler's own messages")
    arguments = parser.parse_intermixed_args(own)
    arguments.snakemake = snakemake
    configs = [word for word in arguments.words if word.endswith(ENDINGS)]
    arguments.targets = [word for word in arguments.words if word not in configs]
    for target in arguments.targets:
        if target not in TARGETS and "/" not in target:
            parser.error(
                f"'{target}' is neither a configuration (.yaml) nor {' or '.join(TARGETS)}"
            )
    named = [*map(Path, configs), *([arguments.configfile] if arguments.configfile else [])]
    if len(named) > 1:
        parser.error("one configuration at a time; each archive is a run of its own")
    arguments.configfile = named[0].absolute() if named else None
    if named and not named[0].is_file():
        parser.error(f"{named[0]} not found: check the path of the configuration")
    cores = arguments.cores or "all"
    if cores != "all" and not (cores.isdigit() and int(cores)):
        parser.error(f"--cores {cores}: give a whole number, or all")
    if arguments.batch and not is_part(arguments.batch):
        parser.error(f"--batch {arguments.batch}: give a part and their number, such as 1/10")
    if not arguments.directory.is_dir():
        parser.error(f"{arguments.directory} is not a folder: check --directory")
    profile = arguments.workflow_profile
    if profile and not profile.is_dir() and (PROJECT / profile).is_dir():
        arguments.workflow_profile = PROJECT / profile
    elif profile and not profile.is_dir():
        parser.error(f"{profile} is not a folder: check --workflow-profile")
    return arguments


def main(words: list[str]) -> int:
    """Run with the words of a command line; returns the exit status."""
    arguments = parsed(words)
    if arguments.configfile is None:
        demo = [sys.executable, str(SCRIPTS / "simulate_demo.py"), str(DEMO)]
        made = subprocess.run(demo, cwd=PROJECT, check=False).returncode
        if made:
            return made
    # Only now: help needs no environment.
    from grooveledger.configuration import read_config
    from grooveledger.run import lock, outcome, snapshot

    config_file = arguments.configfile or DEMO
    if arguments.dry_run:
        return subprocess.run(preview_command(arguments, config_file), check=False).returncode
    results = arguments.directory / read_config(config_file).get("results", "results")
    owner = lock.holder(results)
    if owner:
        print(lock.refusal(owner), file=sys.stderr)
        return 2
    if arguments.keep_snapshot:
        print(f"kept: {snapshot.keep(results, arguments.keep_snapshot)}")
    begin_s, before = time.monotonic(), outcome.state(results)
    environment = {**os.environ, "PYTHONPATH": str(SCRIPTS)}
    command = snakemake_command(arguments, config_file, results)
    try:
        status = subprocess.run(command, env=environment, check=False).returncode
    except KeyboardInterrupt:
        status = 130
    after = outcome.state(results)
    print(
        "\n".join(["", *outcome.lines(before, after, time.monotonic() - begin_s, results, status)])
    )
    return status


def snakemake_command(arguments: argparse.Namespace, config_file: Path, results: Path) -> list[str]:
    """Return the command line of Snakemake."""
    command = [sys.executable, "-m", "snakemake", "--snakefile", str(PROJECT / "Snakefile")]
    command += ["--directory", str(arguments.directory), "--configfile", str(config_file)]
    profile = arguments.workflow_profile or PROFILES / "default"
    command += ["--workflow-profile", str(profile)]
    if arguments.cores or not arguments.workflow_profile:
        command += ["--cores", arguments.cores or "all"]
    if arguments.batch:
        command += ["--batch", f"collect={arguments.batch.removeprefix('collect=')}"]
    if arguments.verbose:
        command += ["--verbose"]
    else:
        command += ["--logger", "progress", "--logger-progress-results", str(results.absolute())]
    # Options that take several values come before the targets, which they would swallow.
    return [*command, *arguments.snakemake, "--", *arguments.targets]


def preview_command(arguments: argparse.Namespace, config_file: Path) -> list[str]:
    """Return the command line of the program that says what a run would make."""
    command = [sys.executable, str(SCRIPTS / "preview.py"), str(config_file)]
    command += ["--directory", str(arguments.directory)]
    return [*command, *(["--cores", arguments.cores] if arguments.cores else [])]


def is_part(said: str) -> bool:
    """Say whether a text names one part of several, such as 1/10."""
    part, _, parts = said.removeprefix("collect=").partition("/")
    return part.isdigit() and parts.isdigit() and 1 <= int(part) <= int(parts)


def _split(words: list[str]) -> tuple[list[str], list[str], list[str]]:
    """Return the words before the first ``--``, that, and those behind it."""
    place = words.index("--") if "--" in words else len(words)
    return words[:place], words[place : place + 1], words[place + 1 :]


if __name__ == "__main__":
    if not {"-h", "--help"}.isdisjoint(_split(sys.argv[1:])[0]):
        parsed(["--help"])
    from command_line import exit_status

    sys.exit(exit_status(lambda: main(sys.argv[1:]), fault=2))
