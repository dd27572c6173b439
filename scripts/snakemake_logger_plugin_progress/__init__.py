"""Snakemake's logger plugin ``progress``: its events, reported by `grooveledger.run.progress`.

Snakemake finds it by its name on Python's path and uses it where run.py asks for ``--logger
progress``; its own lines are then in its log file alone.
"""

import logging
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent
from snakemake_interface_logger_plugins.settings import LogHandlerSettingsBase


@dataclass
class LogHandlerSettings(LogHandlerSettingsBase):
    """What run.py passes to the plugin: ``--logger-progress-results FOLDER``."""

    results: str = field(default="results", metadata={"help": "the results' folder"})


class LogHandler(LogHandlerBase):
    """Report progress and errors of a run."""

    writes_to_stream = True
    writes_to_file = False
    has_filter = True
    has_formatter = True
    needs_rulegraph = False

    def __post_init__(self) -> None:
        self._progress: Any = None
        self._begun = self._failed = False

    def emit(self, record: logging.LogRecord) -> None:
        """Pass an event on."""
        event = getattr(record, "event", None)
        progress = self._progress
        self._begun |= event == LogEvent.WORKFLOW_STARTED
        self._failed |= record.levelno >= logging.ERROR
        if event == LogEvent.RUN_INFO:
            # Only now: Snakemake imports its plugins at each start, also on a cluster's nodes.
            from grooveledger.run.progress import Progress

            self._progress = Progress(sys.stdout, Path(self.settings.results))
            self._progress.plan(record.stats)
        elif progress is None:
            if record.levelno >= logging.ERROR:
                print(record.getMessage(), file=sys.stderr, flush=True)
        elif event == LogEvent.JOB_INFO:
            progress.start(record.jobid, record.rule_name, dict(record.wildcards))
        elif event == LogEvent.JOB_FINISHED:
            progress.finish(record.job_id)
        elif event == LogEvent.JOB_ERROR:
            progress.fail(record.jobid, record.rule_name, next(iter(record.log), ""))
        elif record.levelno >= logging.ERROR and event is None:
            progress.say(record.getMessage())

    def close(self) -> None:
        """End the line that is redrawn; say so where there was nothing to do."""
        if self._progress is not None:
            self._progress.end()
        elif self._begun and not self._failed:
            print("Nothing to do: all results are up to date.", flush=True)
        self._begun = False
        super().close()
