"""What a run says while it is at work: how far it is, and each capture with something amiss."""

import time
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TextIO

from grooveledger.schemas.states import Status
from grooveledger.storage import tables

#: What a job of a rule is doing, in a word or two.
STAGES = {
    "capture": "measuring",
    "collect": "joining tables",
    "drift": "fitting drift",
    "loading": "calculating loads",
    "ratings": "comparing with data sheets",
    "export": "writing the workbook",
}
WRITING = "writing pages"
#: Without a terminal a line is printed every this many per cent.
STEP_PCT = 5
#: Longest line about one capture, characters; its page has all of it.
LONGEST = 160
#: The terminal's codes for the start of the line and for clearing to its end (ECMA-48).
LINE_START, CLEAR = "\r", "\x1b[K"


class Progress:
    """The state of a run, written to a stream as jobs start and end.

    Parameters
    ----------
    stream : TextIO
        A terminal gets one line that is redrawn, anything else a line every `STEP_PCT` per cent.
    results : Path
        The results' folder, in which the health of a capture is looked up.
    clock : callable
        Seconds from some beginning.
    """

    def __init__(
        self, stream: TextIO, results: Path, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream, self._results, self._clock = stream, results, clock
        self._redrawn = stream.isatty()
        self._begin_s = clock()
        self._planned: Counter[str] = Counter()
        self._done: Counter[str] = Counter()
        self._spent_s: defaultdict[str, float] = defaultdict(float)
        self._started: dict[int, tuple[str, Mapping[str, str], float]] = {}
        self._stage = ""
        self._rejected = 0
        self._told_pct = 0

    def plan(self, jobs: Mapping[str, int]) -> None:
        """Take the number of jobs of each rule that will run."""
        self._planned = Counter(
            {rule: n for rule, n in jobs.items() if rule not in ("all", "total")}
        )
        self._draw()

    def start(self, job: int, rule: str, wildcards: Mapping[str, str]) -> None:
        """Note that a job began."""
        self._started[job] = (rule, wildcards, self._clock())
        self._stage = STAGES.get(rule, WRITING)
        self._draw()

    def finish(self, job: int) -> None:
        """Note that a job ended well, and report what is amiss with its capture."""
        if job not in self._started:
            return
        rule, wildcards, begin_s = self._started.pop(job)
        if rule not in self._planned:
            return
        self._done[rule] += 1
        self._spent_s[rule] += self._clock() - begin_s
        if rule == "capture":
            self._tell_capture(wildcards["capture"])
        self._draw()

    def fail(self, job: int, rule: str, log: str) -> None:
        """Report that a job failed, with its log's last line and path."""
        _, wildcards, _ = self._started.pop(job, (rule, {}, 0.0))
        name = " ".join(["", *wildcards.values()])
        why = last_line(Path(log)) or "it left no message"
        self.say(f"failed {rule}{name}: {why} (see {log})")

    def say(self, line: str) -> None:
        """Print a line that stays."""
        if self._redrawn:
            self._stream.write(LINE_START + CLEAR)
        self._stream.write(line + "\n")
        self._stream.flush()
        self._draw()

    def end(self) -> None:
        """Leave the terminal's line empty."""
        if self._redrawn:
            self._stream.write(LINE_START + CLEAR)
            self._stream.flush()

    def line(self) -> str:
        """Return how far the run is."""
        parts = []
        if self._planned["capture"]:
            parts.append(f"{self._done['capture']} of {self._planned['capture']} captures")
        parts += [self._stage] if self._stage else []
        left_s = self._left_s()
        parts += [f"about {duration(left_s)} left"] if left_s is not None else []
        parts += [f"{self._rejected} rejected"] if self._rejected else []
        return f"{self._percent():3d} %  {', '.join(parts)}"

    def _percent(self) -> int:
        total = self._planned.total()
        return 100 * self._done.total() // total if total else 0

    def _left_s(self) -> float | None:
        """Estimate the time left from each rule's mean time and how many jobs ran in parallel."""
        busy_s, done = sum(self._spent_s.values()), self._done.total()
        if not busy_s:
            return None
        usual_s = busy_s / done
        wanted_s = 0.0
        for rule, planned in self._planned.items():
            mean_s = self._spent_s[rule] / self._done[rule] if self._done[rule] else usual_s
            wanted_s += (planned - self._done[rule]) * mean_s
        return wanted_s * (self._clock() - self._begin_s) / busy_s or None

    def _draw(self) -> None:
        if self._redrawn:
            self._stream.write(LINE_START + self.line() + CLEAR)
            self._stream.flush()
        elif self._percent() >= self._told_pct + STEP_PCT:
            self._told_pct = self._percent() // STEP_PCT * STEP_PCT
            self._stream.write(self.line() + "\n")
            self._stream.flush()

    def _tell_capture(self, capture: str) -> None:
        """Report that a capture is rejected or flagged, and why."""
        folder = self._results / "captures" / capture
        try:
            (health,) = tables.read(folder / "health.parquet").to_pylist()
            remarks = tables.read(folder / "remarks.parquet")
        except (OSError, ValueError):  # gone again
            return
        if health["status"] == Status.REJECTED:
            self._rejected += 1
            self.say(shortened(f"rejected {capture}: {health['reason']}"))
            return
        reasons = [health["reason"], *remarks["remark"].to_pylist()]
        said = "; ".join(reason for reason in reasons if reason)
        if said:
            self.say(shortened(f"flagged {capture}: {said}"))


def shortened(line: str) -> str:
    """Return a line of no more than `LONGEST` characters."""
    return line if len(line) <= LONGEST else f"{line[: LONGEST - 4].rstrip()} ..."


def last_line(log: Path) -> str:
    """Return a log's last line, where a traceback names its error; empty without a log."""
    try:
        lines = log.read_text(encoding="utf-8", errors="replace").split("\n")
    except OSError:
        return ""
    return next((line.strip() for line in reversed(lines) if line.strip()), "")


def duration(time_s: float) -> str:
    """Write a time as a person says it."""
    if time_s < 90.0:
        return f"{max(time_s, 1.0):.0f} s"
    minutes = time_s / 60.0
    return f"{minutes:.0f} min" if minutes < 90.0 else f"{minutes / 60.0:.1f} h"
