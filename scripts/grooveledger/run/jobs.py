"""Every job of an archive, and what it depends on, as one plain mapping a job.

The mapping holds the settings that its stage reads, the sheet cells it uses, the content of its
capture, the digest of the code it can reach and, under `from`, the digests of the jobs whose
results it reads. So a job whose mapping has not changed has nothing to do, and one whose mapping
has changed must run again: one digest tells what a table came from, whatever the files' times.
"""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from grooveledger.configuration import Archive
from grooveledger.measure.quantities import MEASURES
from grooveledger.plan import Side
from grooveledger.run.code_digests import code_digest
from grooveledger.schemas.collect import SHEET
from grooveledger.storage.digests import digest, file_sha256

PROJECT = Path(__file__).parents[3]
#: The scripts of the rules, and the documentation that pages are made of.
RULES, DOCS = PROJECT / "scripts" / "rules", PROJECT / "workflow" / "docs"
#: The measures that read each observation job's tables.
OBSERVED_FOR = {
    observation: [m for m in MEASURES.values() if observation in m.observed]
    for observation in ("orders", "speed_trace", "noise_density")
}
#: Sheet cells that place a capture among others; the rest are facts of the recording.
JOINED_CELLS = (*(column.name for column in SHEET), "file", "copy")
#: The archive-wide jobs of stage 5 in the order of the data's flow: the settings blocks that each
#: reads, the jobs whose results it reads, and what it makes under the results.
INTERPRETERS: dict[str, tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = {
    "drift": (
        ("drift",),
        ("collect",),
        tuple(f"tables/{name}.parquet" for name in ("drift", "stylus_states", "control", "advice")),
    ),
    "loading": (
        ("loading",),
        ("collect",),
        tuple(f"tables/{name}.parquet" for name in ("loading", "loading_checks", "coils")),
    ),
    "ratings": (
        ("ratings",),
        ("collect",),
        tuple(f"tables/{name}.parquet" for name in ("ratings", "comparison")),
    ),
    "stylus_page": (
        (),
        ("drift",),
        ("report/styli/{name}.html", "report/styli/{name}", "figures/{name}"),
    ),
    "loading_page": (
        ("loading",),
        ("loading",),
        ("report/loading/{name}.html", "report/loading/{name}"),
    ),
    "index_pages": (
        ("ratings",),
        ("drift", "ratings"),
        ("report/index.html", "report/comparison.html", "report/comparison"),
    ),
    "methods_pages": ((), (), ("report/methods",)),
    "export": (
        (),
        ("collect", "drift", "loading", "ratings"),
        ("export/archive.xlsx", "export/csv"),
    ),
}
COLLECTED = ("captures", "tracks", *MEASURES, "metrics")


class Job(NamedTuple):
    """A job: its rule, the capture, stylus or cartridge it is for, and what it makes.

    `outputs` are below the results' folder; those without an ending are folders.
    """

    rule: str
    name: str
    outputs: tuple[str, ...]


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
        self._digests: dict[tuple[str, str], str] = {}
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
            if any(measure.uses(track) for measure in measures for track in tracks)
        ]

    def all(self) -> Iterator[Job]:
        """Every job, in the order of the data's flow."""
        for capture in self._rows:
            folder = f"captures/{capture}"
            found = (f"{folder}/tracks.parquet", f"{folder}/health.parquet")
            yield Job("segment", capture, found)
            for observation in self.observations(capture):
                tables = [observation, *(["tone_spectrum"] if observation == "orders" else [])]
                heard = tuple(f"{folder}/observations/{table}.parquet" for table in tables)
                yield Job(f"observe_{observation}", capture, heard)
            measured = (*MEASURES, "metrics", "remarks")
            yield Job("measure", capture, tuple(f"{folder}/{name}.parquet" for name in measured))
            page = f"report/captures/{capture}"
            yield Job("capture_page", capture, (f"{page}.html", page))
        yield Job("collect", "", tuple(f"tables/{name}.parquet" for name in COLLECTED))
        names = {"stylus_page": self._archive.styli, "loading_page": self._archive.cartridges}
        for rule, (_, _, outputs) in INTERPRETERS.items():
            for name in names.get(rule, ("",)):
                yield Job(rule, name, tuple(output.format(name=name) for output in outputs))

    def digest(self, rule: str, name: str = "") -> str:
        """Digest of a job's mapping, as its results carry it."""
        key = rule, name
        if key not in self._digests:
            self._digests[key] = digest(self.mapping(rule, name))
        return self._digests[key]

    def mapping(self, rule: str, name: str = "") -> dict[str, Any]:
        """Everything that a job depends on.

        Parameters
        ----------
        rule : str
            The job's rule.
        name : str
            The capture, stylus or cartridge that it is for; empty for an archive-wide job.
        """
        if rule == "methods_pages":
            pages = {str(path.relative_to(DOCS)): file_sha256(path) for path in DOCS.rglob("*.md")}
            return {"code": self._code_of("methods_pages.py"), "pages": pages}
        if rule in INTERPRETERS:
            return self._interpret(rule)
        if rule == "collect":
            return self._collect()
        if rule.startswith("observe_"):
            return self._observe(name, rule.removeprefix("observe_"))
        per_capture = {
            "segment": self._segment,
            "measure": self._measure,
            "capture_page": self._capture_page,
        }
        return per_capture[rule](name)

    def _segment(self, capture: str) -> dict[str, Any]:
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

    def _observe(self, capture: str, observation: str) -> dict[str, Any]:
        block = {"orders": "orders", "speed_trace": "speed", "noise_density": "noise"}[observation]
        return {
            **self._audio(self._rows[capture]),
            "settings": self._archive.settings[block],
            "code": self._code_of(f"observe_{observation}.py"),
            "from": self._digests_of(capture, "segment"),
        }

    def _measure(self, capture: str) -> dict[str, Any]:
        row, archive = self._rows[capture], self._archive
        settings = {name: archive.settings.get(name, {}) for name in (*MEASURES, "remarks")}
        settings["noise"] = {**settings["noise"], "mains_hz": archive.settings["mains_hz"]}
        observed = [f"observe_{name}" for name in self.observations(capture)]
        return {
            "capture": capture,
            "side": archive.side_of(row),
            "chain": archive.chains[row["chain"]],
            "cartridge": archive.cartridges[row["cartridge"]],
            "settings": settings,
            "code": self._code_of("measure.py"),
            "from": self._digests_of(capture, "segment", *observed),
        }

    def _capture_page(self, capture: str) -> dict[str, Any]:
        row, archive = self._rows[capture], self._archive
        return {
            "sheet": row,
            "rpm": archive.side_of(row)["rpm"],
            "chain": archive.chains[row["chain"]],
            "cartridge": archive.cartridges[row["cartridge"]],
            "code": self._code_of("capture_page.py"),
            "from": self._digests_of(capture, "measure"),
        }

    def _collect(self) -> dict[str, Any]:
        rows = [
            {name: row[name] for name in ("capture", *JOINED_CELLS)} for row in self._rows.values()
        ]
        made = {capture: self._digests_of(capture, "segment", "measure") for capture in self._rows}
        return {"captures": rows, "code": self._code_of("collect.py"), "from": made}

    def _interpret(self, rule: str) -> dict[str, Any]:
        blocks, read, _ = INTERPRETERS[rule]
        return {
            "settings": {block: self._archive.settings.get(block, {}) for block in blocks},
            "styli": self._archive.styli,
            "cartridges": self._archive.cartridges,
            "chains": self._archive.chains,
            "code": self._code_of(f"{rule}.py"),
            "from": self._digests_of("", *read),
        }

    def _digests_of(self, name: str, *rules: str) -> dict[str, str]:
        return {rule: self.digest(rule, name) for rule in rules}

    def _audio(self, row: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "capture": row["capture"],
            "file": row["file"],
            "sha256": self._sha256[row["file"]],
            "side": self._archive.sides[row["record"], row["side"]],
        }

    def _code_of(self, script: str) -> str:
        if script not in self._code:
            self._code[script] = code_digest(RULES / script)
        return self._code[script]
