"""What each job depends on, as one plain mapping a job.

It holds the settings that its stage reads, the sheet cells it uses, the content of its capture and
the digest of the code it can reach. A job whose mapping has not changed has nothing to do; one
whose mapping has changed must run again.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grooveledger.configuration import Archive
from grooveledger.digests import code_digest
from grooveledger.measures import MEASURES
from grooveledger.plan import Side, draws_on

SCRIPTS = Path(__file__).parents[1]
#: What each observation job makes, and the measures that want it.
OBSERVED_FOR = {
    "orders": tuple(name for name in MEASURES if name not in ("speed", "noise")),
    "speed_trace": ("speed",),
    "noise_density": ("noise",),
}
#: Sheet cells that place a capture among others; the rest are facts of the recording.
JOINED_CELLS = (
    "captured_at",
    "stylus",
    "cartridge",
    "stylus_hours",
    "record",
    "side",
    "record_plays",
    "chain",
    "temperature_c",
    "file",
)


class Jobs:
    """The mapping of every job of an archive.

    Parameters
    ----------
    archive : Archive
        The checked configuration.
    sha256 : mapping
        Digest of each capture's file, by the file's name in the sheet.
    """

    def __init__(self, archive: Archive, sha256: Mapping[str, str]) -> None:
        self._archive = archive
        self._sha256 = sha256
        self._rows = {row["capture"]: row for row in archive.captures}
        self._code: dict[str, str] = {}
        self._side_views = {key: Side.from_mapping(side) for key, side in archive.sides.items()}

    @property
    def captures(self) -> list[str]:
        """Ids of the captures, in the sheet's order."""
        return list(self._rows)

    def observations(self, capture: str) -> list[str]:
        """Observation jobs whose tables the capture's side has a use for."""
        row = self._rows[capture]
        tracks = self._side_views[row["record"], row["side"]].tracks
        return [
            job
            for job, measures in OBSERVED_FOR.items()
            if any(draws_on(name, track) for name in measures for track in tracks)
        ]

    def segment(self, capture: str) -> dict[str, Any]:
        """Mapping of the job that finds a capture's tracks."""
        row = self._rows[capture]
        chain = self._archive.chains[row["chain"]]
        others = {
            side: mapping
            for (record, side), mapping in sorted(self._archive.sides.items())
            if record == row["record"] and side != row["side"]
        }
        return {
            **self._audio(row),
            "settings": self._archive.settings["segment"],
            "other_sides": others,
            "swap_channels": bool(chain.get("swap_channels", False)),
            "invert": list(chain.get("invert") or []),
            "code": self._code_of("segment.py"),
        }

    def observe(self, capture: str, observation: str) -> dict[str, Any]:
        """Mapping of one of the jobs that observe a capture."""
        block = {"orders": "orders", "speed_trace": "speed", "noise_density": "noise"}[observation]
        return {
            **self._audio(self._rows[capture]),
            "settings": self._archive.settings[block],
            "code": self._code_of(f"observe_{observation}.py"),
        }

    def measure(self, capture: str) -> dict[str, Any]:
        """Mapping of the job that measures a capture."""
        row, archive = self._rows[capture], self._archive
        settings = {name: archive.settings.get(name, {}) for name in MEASURES}
        settings["noise"] = {**settings["noise"], "mains_hz": archive.settings["mains_hz"]}
        modules = [f"grooveledger.measures.{name}" for name in MEASURES]
        return {
            "capture": capture,
            "side": archive.sides[row["record"], row["side"]],
            "chain": archive.chains[row["chain"]],
            "cartridge": archive.cartridges[row["cartridge"]],
            "settings": settings,
            "code": self._code_of("measure.py", modules),
        }

    def page(self, capture: str) -> dict[str, Any]:
        """Mapping of the job that writes a capture's page."""
        row, archive = self._rows[capture], self._archive
        return {
            "sheet": row,
            "rpm": archive.sides[row["record"], row["side"]]["rpm"],
            "chain": archive.chains[row["chain"]],
            "cartridge": archive.cartridges[row["cartridge"]],
            "code": self._code_of("capture_page.py"),
        }

    def collect(self) -> dict[str, Any]:
        """Mapping of the job that joins all captures' tables."""
        rows = [
            {name: row[name] for name in ("capture", *JOINED_CELLS)} for row in self._rows.values()
        ]
        return {"captures": rows, "code": self._code_of("collect.py")}

    def interpret(self, script: str, *blocks: str) -> dict[str, Any]:
        """Mapping of an archive-wide job, with the settings blocks and other facts that it reads."""
        return {
            "settings": {block: self._archive.settings.get(block, {}) for block in blocks},
            "styli": self._archive.styli,
            "cartridges": self._archive.cartridges,
            "chains": self._archive.chains,
            "code": self._code_of(script),
        }

    def _audio(self, row: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "capture": row["capture"],
            "file": row["file"],
            "sha256": self._sha256[row["file"]],
            "side": self._archive.sides[row["record"], row["side"]],
        }

    def _code_of(self, script: str, modules: list[str] | None = None) -> str:
        if script not in self._code:
            self._code[script] = code_digest(SCRIPTS / script, modules or ())
        return self._code[script]
