"""Write the traceback of a bug, even in an import, into the rule's log.

Imported before anything of the library.
"""

import sys
import traceback
from pathlib import Path
from types import TracebackType

import __main__


def keep_traceback(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    """Write the error that ends the script to the rule's log and, as usual, to the screen."""
    log = Path(__main__.snakemake.log[0])
    log.parent.mkdir(parents=True, exist_ok=True)
    log.write_text("".join(traceback.format_exception(kind, error, trace)), encoding="utf-8")
    sys.__excepthook__(kind, error, trace)


if hasattr(__main__, "snakemake"):
    sys.excepthook = keep_traceback
