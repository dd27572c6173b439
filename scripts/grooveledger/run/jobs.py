"""Every job of an archive, and what it depends on, as one plain mapping a job.

The mapping holds the settings that its stage reads, the sheet cells it uses, the content of its
capture, the digest of the code it can reach and, under `from`, the digests of the jobs whose
results it reads. So a job whose mapping has not changed has nothing to do, and one whose mapping
has changed must run again: one digest says what a table came from, whatever the files' times.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from grooveledger.configuration import Archive
from grooveledger.measure.quantities import MEASURES
from grooveledger.plan import Side
from grooveledger.run.code_digests import code_digest
from grooveledger.run.rules import (
    OBSERVATIONS,
    OF_CAPTURE,
    PAGES_A_JOB,
    PROJECT,
    RULES,
    Subject,
    code_of,
)
from grooveledger.schemas.collect import SHEET
from grooveledger.storage.digests import digest, file_sha256

#: The documentation that pages are made of.
DOCS = PROJECT / "workflow" / "docs"
#: The measures that read each observation's tables.
OBSERVED_FOR = {
    rule: [m for m in MEASURES.values() if rule.removeprefix("observe_") in m.observed]
    for rule in OBSERVATIONS
}
#: Sheet cells that place a capture among others; the rest are facts of the recording.
JOINED_CELLS = (*(column.name for column in SHEET), "file", "copy")


#: Kinds of neighbours of a capture, and what they share.
NEIGHBOURS = {
    "stylus": ("stylus",),
    "side": ("record", "side"),
    "alike": ("stylus", "record", "side", "chain"),
}


class Job(NamedTuple):
    """A job: its rule, the capture, stylus or cartridge it is for, and what it makes.

    `outputs` are below the results' folder; those without an ending are folders. `decodes` is
    whether it reads a recording.
    """

    rule: str
    name: str
    outputs: tuple[str, ...]
    decodes: bool = False


def neighbours(captures: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Name the captures beside each: in time, of its stylus and of its record side.

    Returns
    -------
    dict
        By capture: `stylus` and `side`, each the previous and the next capture or None, and
        `before`, the newest earlier capture of the stylus from the same side on the same chain,
        with which its figures can be compared.
    """
    rows = sorted(captures, key=lambda row: (row["captured_at"] or "", row["capture"]))
    found: dict[str, dict[str, Any]] = {row["capture"]: {} for row in rows}
    for kind, columns in NEIGHBOURS.items():
        chains: dict[tuple[Any, ...], list[str]] = {}
        for row in rows:
            chains.setdefault(tuple(row[name] for name in columns), []).append(row["capture"])
        for names in chains.values():
            for before, own, after in zip([None, *names], names, [*names[1:], None], strict=False):
                found[own][kind] = [before, after]
    for beside in found.values():
        beside["before"] = beside.pop("alike")[0]
    return found


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
        self._used: dict[tuple[str, str], list[str]] = {}
        self._neighbours_of = neighbours(archive.captures)
        #: Ids of the captures, in the sheet's order.
        self.captures = list(self._rows)
        #: Captures whose pages one job writes, by the job's name.
        self.page_batches = {
            f"{first // PAGES_A_JOB + 1:05d}": self.captures[first : first + PAGES_A_JOB]
            for first in range(0, len(self.captures), PAGES_A_JOB)
        }
        self._page_batch = {
            capture: batch for batch, captures in self.page_batches.items() for capture in captures
        }

    def before(self, capture: str) -> str | None:
        """Name the earlier capture with which a capture's page compares its figures."""
        before: str | None = self._neighbours_of[capture]["before"]
        return before

    def names(self, subject: Subject) -> list[str]:
        """Return what there is of a subject; the archive is one, without a name."""
        return {
            "capture": self.captures,
            "stylus": list(self._archive.styli),
            "cartridge": list(self._archive.cartridges),
            "archive": [""],
        }[subject]

    def is_used(self, observation: str, capture: str) -> bool:
        """Return whether a capture's side has a use for an observation."""
        row = self._rows[capture]
        key = row["record"], row["side"]
        if key not in self._used:
            tracks = Side.from_mapping(self._archive.sides[key]).tracks
            self._used[key] = [
                rule
                for rule, measures in OBSERVED_FOR.items()
                if any(measure.uses(track) for measure in measures for track in tracks)
            ]
        return observation in self._used[key]

    def all(self) -> Iterator[Job]:
        """Yield every job, in the order of the data's flow."""
        for name, rule in RULES.items():
            for subject in self.names(rule.subject):
                outputs = tuple(made.format(name=subject) for made in rule.makes)
                used = name not in OBSERVATIONS or self.is_used(name, subject)
                yield Job(name, subject, outputs, rule.decodes and used)

    def digest(self, rule: str, name: str = "") -> str:
        """Return the digest of a job's mapping, as its results carry it."""
        key = rule, name
        if key not in self._digests:
            self._digests[key] = digest(self.mapping(rule, name))
        return self._digests[key]

    def mapping(self, rule: str, name: str = "") -> dict[str, Any]:
        """Return everything that a job depends on.

        Parameters
        ----------
        rule : str
            The job's rule.
        name : str
            The capture, stylus or cartridge that it is for; empty for an archive-wide job.
        """
        declared = RULES[rule]
        if rule in OBSERVATIONS and not self.is_used(rule, name):
            return {"capture": name, "used": False, "code": ""}
        made: dict[str, Any] = {"code": self._code_of(rule)}
        if declared.subject == "capture":
            made["capture"] = name
        if declared.settings:
            settings = self._archive.settings
            made["settings"] = {key: settings.get(key, {}) for key in declared.settings}
        for part in declared.parts:
            made |= getattr(self, f"_{part}")(name)
        if declared.reads:
            made["from"] = self._from(declared.subject, declared.reads, name)
        return made

    def run_mapping(self, rule: str, name: str = "") -> dict[str, Any]:
        """Return the mapping of a job of the workflow; by their names, of all that it runs."""
        if rule == "capture":
            return {part: self.mapping(part, name) for part in OF_CAPTURE}
        if rule == "capture_pages":
            return {
                capture: self.mapping("capture_page", capture)
                for capture in self.page_batches[name]
            }
        return self.mapping(rule, name)

    def run_by(self, rule: str, name: str) -> tuple[str, str]:
        """Rule of the workflow that runs a job, and the name of that rule's job."""
        if rule == "capture_page":
            return "capture_pages", self._page_batch[name]
        return RULES[rule].run_by or rule, name

    def _from(self, subject: Subject, rules: tuple[str, ...], name: str) -> dict[str, Any]:
        """Return the digests of the jobs whose results a job reads, by capture if of several."""
        made: dict[str, Any] = {}
        for rule in rules:
            if RULES[rule].subject == subject:
                made[rule] = self.digest(rule, name)
            elif RULES[rule].subject == "archive":
                made[rule] = self.digest(rule)
            else:
                captures = self._captures_of(subject, name)
                made[rule] = {capture: self.digest(rule, capture) for capture in captures}
        return made

    def _captures_of(self, subject: Subject, name: str) -> list[str]:
        if subject == "archive":
            return self.captures
        return [capture for capture, row in self._rows.items() if row[subject] == name]

    # The parts of the configuration that rules name.

    def _recording(self, name: str) -> dict[str, Any]:
        file = self._rows[name]["file"]
        return {"file": file, "sha256": self._sha256[file]}

    def _side(self, name: str) -> dict[str, Any]:
        row = self._rows[name]
        return {"side": self._archive.sides[row["record"], row["side"]]}

    def _copy(self, name: str) -> dict[str, Any]:
        return {"side": self._archive.side_of(self._rows[name])}

    def _rpm(self, name: str) -> dict[str, Any]:
        return {"rpm": self._archive.side_of(self._rows[name])["rpm"]}

    def _other_sides(self, name: str) -> dict[str, Any]:
        row = self._rows[name]
        others = {
            side: mapping
            for (record, side), mapping in sorted(self._archive.sides.items())
            if record == row["record"] and side != row["side"]
        }
        return {"other_sides": others}

    def _channels(self, name: str) -> dict[str, Any]:
        chain = self._archive.chains[self._rows[name]["chain"]]
        return {
            "swap_channels": bool(chain.get("swap_channels", False)),
            "invert": list(chain.get("invert") or []),
        }

    def _sheet(self, name: str) -> dict[str, Any]:
        return {"sheet": self._rows[name]}

    def _neighbours(self, name: str) -> dict[str, Any]:
        found = self._neighbours_of[name]
        made: dict[str, Any] = {"neighbours": found}
        if before := found["before"]:
            made["figures_before"] = self.digest("measure", before)
        return made

    def _chain(self, name: str) -> dict[str, Any]:
        return {"chain": self._archive.chains[self._rows[name]["chain"]]}

    def _cartridge(self, name: str) -> dict[str, Any]:
        return {"cartridge": self._archive.cartridges[self._rows[name]["cartridge"]]}

    def _captures(self, _: str) -> dict[str, Any]:
        rows = [
            {name: row[name] for name in ("capture", *JOINED_CELLS)} for row in self._rows.values()
        ]
        return {"captures": rows}

    def _styli(self, _: str) -> dict[str, Any]:
        return {"styli": self._archive.styli}

    def _cartridges(self, _: str) -> dict[str, Any]:
        return {"cartridges": self._archive.cartridges}

    def _chains(self, _: str) -> dict[str, Any]:
        return {"chains": self._archive.chains}

    def _pages(self, _: str) -> dict[str, Any]:
        return {
            "pages": {str(path.relative_to(DOCS)): file_sha256(path) for path in DOCS.rglob("*.md")}
        }

    def _code_of(self, rule: str) -> str:
        if rule not in self._code:
            self._code[rule] = code_digest(*code_of(rule))
        return self._code[rule]
