"""Keep a set of results before the archive is made again, without copying what does not change."""

import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path

from grooveledger.faults import ConfigurationFaults, Fault

#: What a comparison never needs.
LEFT_OUT = ("logs", "benchmarks", "report")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def folder(results: Path) -> Path:
    """Return the folder of the snapshots, beside the results."""
    return results.with_name(f"{results.name}-snapshots")


def keep(results: Path, name: str) -> Path:
    """Keep the results as they are under a name.

    Tables are replaced whole and never written into, so that a hard link is as good as a copy and
    costs no space until the table is made again. Where the file system has no links, files are
    copied.

    Parameters
    ----------
    results : Path
        The results' folder.
    name : str
        Name of the snapshot, as a file's name.

    Returns
    -------
    Path
        ``<results>-snapshots/<name>``.

    Raises
    ------
    ConfigurationFaults
        The name can't be one or is taken, or there are no results.
    """
    kept = folder(results) / name
    if not _NAME.fullmatch(name):
        raise _fault(
            name, "is not a valid name for a snapshot", "Use letters, digits, '.', '_' and '-'."
        )
    if kept.exists():
        raise _fault(name, f"is already kept in {kept}", "Use another name, or remove that folder.")
    if not (results / "tables").is_dir():
        raise _fault(name, f"can't be kept: {results} holds no tables", "Run the workflow first.")
    scratch = kept.with_name(f".{name}.part")
    shutil.rmtree(scratch, ignore_errors=True)
    shutil.copytree(results, scratch, copy_function=_linked, ignore=_left_out(results))
    scratch.rename(kept)
    return kept


def find(results: Path, name: str) -> Path:
    """Return the folder of a snapshot by its name, or of any results by their path.

    Raises
    ------
    ConfigurationFaults
        There are no tables.
    """
    for candidate in (folder(results) / name, Path(name)):
        if (candidate / "tables").is_dir():
            return candidate
    kept = sorted(path.name for path in folder(results).glob("[!.]*"))
    known = f"There are {', '.join(kept)}." if kept else "None has been kept yet."
    raise ConfigurationFaults([Fault(str(folder(results)), name, "no such snapshot", known)])


def _linked(source: str, target: str) -> str:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
    return target


def _left_out(results: Path) -> Callable[[str, list[str]], list[str]]:
    def ignored(directory: str, names: list[str]) -> list[str]:
        at_top = Path(directory) == results
        return [name for name in names if name.startswith(".") or (at_top and name in LEFT_OUT)]

    return ignored


def _fault(name: str, problem: str, remedy: str) -> ConfigurationFaults:
    return ConfigurationFaults([Fault("--keep-snapshot", name, problem, remedy)])
