"""One recording without an archive: from a file and descriptions to tables and a page."""

import json
import re
import shutil
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import yaml

from grooveledger.configuration import load
from grooveledger.faults import ConfigurationFaults, Fault
from grooveledger.report import capture_page
from grooveledger.run.capture_job import make_capture
from grooveledger.run.jobs import Jobs
from grooveledger.storage import tables
from grooveledger.storage.digests import file_sha256

STYLUS = "stylus"


def measure_recording(
    recording: Path,
    record: Path,
    side: str | None,
    chains: Path,
    chain: str | None,
    principle: str,
    output: Path,
) -> tuple[Path, dict[str, Any]]:
    """Measure one recording as the workflow does, and write its tables and its page.

    Parameters
    ----------
    recording, record, chains : Path
        The recording, the description of the record, and a file of chains.
    side, chain : str or None
        Which of them it was; may be left out where there is one.
    principle : str
        How the cartridge generates.
    output : Path
        Folder of the page, its pictures and the tables.

    Returns
    -------
    page : Path
    health : dict
        Status of the recording and the reason for it.

    Raises
    ------
    ConfigurationFaults
        A description is wrong, or leaves open which side or chain it was.
    """
    if not recording.is_file():
        raise _fault(recording, "not found", "Check the path of the recording.")
    capture = re.sub(r"[^A-Za-z0-9._-]", "-", recording.stem).lstrip("._-") or "recording"
    with tempfile.TemporaryDirectory() as name:
        config = _described(Path(name), recording, capture, record, side, chains, chain, principle)
        archive = load(config, Path(), "measure_one.py")
        jobs = Jobs(archive, {recording.name: file_sha256(recording)})
    folder = output / "tables"
    make_capture(recording.parent, folder, jobs.run_mapping("capture", capture))
    page = output / "captures" / f"{capture}.html"
    capture_page.write(jobs.mapping("capture_page", capture), folder, page, alone=True)
    return page, tables.read(folder / "health.parquet").to_pylist()[0]


def _described(
    folder: Path,
    recording: Path,
    capture: str,
    record: Path,
    side: str | None,
    chains: Path,
    chain: str | None,
    principle: str,
) -> dict[str, Any]:
    """Write the archive of this one recording into a folder; returns its configuration."""
    sides, known_chains = _keys(record, "sides"), _keys(chains)
    records = folder / "records"
    records.mkdir()
    shutil.copy(record, records)
    (folder / "cartridges.yaml").write_text(json.dumps({"cartridge": {"principle": principle}}))
    day = datetime.fromtimestamp(recording.stat().st_mtime, UTC).strftime("%Y-%m-%d")
    row = {
        "capture": capture,
        "file": recording.name,
        "captured_at": day,
        "stylus": STYLUS,
        "record": record.stem,
        "side": _chosen(side, sides, record, "--side"),
        "chain": _chosen(chain, known_chains, chains, "--chain"),
        "stylus_hours": "0",
    }
    _sheet(folder / "captures.tsv", row)
    stylus = {"stylus": STYLUS, "cartridge": "cartridge", "fitted_on": day}
    _sheet(folder / "styli.tsv", {**stylus, "hours_at_fitting": "0"})
    files = {name: f"{name}.tsv" for name in ("captures", "styli")}
    paths = {name: str(folder / file) for name, file in files.items()}
    return {
        **paths,
        "captures_dir": str(recording.absolute().parent),
        "cartridges": str(folder / "cartridges.yaml"),
        "chains": str(chains.absolute()),
        "records_dir": str(records),
        "results": str(folder / "results"),
    }


def _sheet(path: Path, row: Mapping[str, str]) -> None:
    path.write_text("\n".join(["\t".join(row), "\t".join(row.values()), ""]), encoding="utf-8")


def _keys(path: Path, key: str | None = None) -> list[str]:
    """Return keys of a YAML file or of a mapping in it; its faults are reported when it is read."""
    try:
        content = yaml.safe_load(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise _fault(path, "not found", "Check the path.") from error
    except (yaml.YAMLError, UnicodeDecodeError):
        return []
    content = content.get(key) if key and isinstance(content, dict) else content
    return [str(name) for name in content] if isinstance(content, dict) else []


def _chosen(given: str | None, names: list[str], path: Path, option: str) -> str:
    if given is not None:
        return given
    if len(names) == 1:
        return names[0]
    raise _fault(path, f"describes {', '.join(names) or 'nothing'}", f"Choose one with {option}.")


def _fault(path: Path, problem: str, remedy: str) -> ConfigurationFaults:
    return ConfigurationFaults([Fault(str(path), "", problem, remedy)])
