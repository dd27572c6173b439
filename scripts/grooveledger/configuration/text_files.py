"""Read a text file of a person or a spreadsheet program, or report what is wrong with it."""

import codecs
from pathlib import Path

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.suggestions import near_miss

#: A sheet of 100,000 rows takes about 20 MB; more is no configuration.
SIZE_MAX_BYTES = 100_000_000

_SAVE_AGAIN = "Save it again as text in UTF-8 (a spreadsheet program asks for the character set)."
_WIDE_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def read_text(
    path: Path, name: str, faults: Faults, size_max_bytes: int = SIZE_MAX_BYTES
) -> str | None:
    """Return the text of a UTF-8 file, with or without byte-order mark.

    None and a fault where it is none.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What the person calls it, for the fault.
    faults : Faults
        Collects what is wrong.
    """
    try:
        if path.is_dir():
            faults.add(name, "", "is a folder", "Name the file in it.")
            return None
        size_bytes = path.stat().st_size
        if size_bytes > size_max_bytes:
            problem = f"is {size_bytes / 1e6:.0f} MB long"
            remedy = f"A file of this kind has at most {size_max_bytes / 1e6:g} MB."
            faults.add(name, "", problem, remedy)
            return None
        content = path.read_bytes()
    except FileNotFoundError:
        faults.add(name, "", "is not there", _missing_remedy(path))
        return None
    except (OSError, ValueError) as error:
        problem = f"can't be read ({getattr(error, 'strerror', None) or error})"
        faults.add(name, "", problem, "Check the path and the file's permissions.")
        return None
    return _decoded(content, name, faults)


def _decoded(content: bytes, name: str, faults: Faults) -> str | None:
    if content.startswith(_WIDE_MARKS) or b"\0" in content:
        faults.add(name, "", "is UTF-16 text, or no text at all", _SAVE_AGAIN)
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problem = (
            f"is not UTF-8: the byte 0x{content[error.start]:02X} is probably a letter in a "
            "Windows character set (cp1252)"
        )
        faults.add(name, f"line {line}", problem, _SAVE_AGAIN)
        return None


def _missing_remedy(path: Path) -> str:
    folder = path.parent
    if not folder.is_dir():
        return f"There is no folder {folder} either; paths count from where the run starts."
    similar = near_miss(path.name, sorted(entry.name for entry in folder.iterdir()))
    return f"Did you mean {path.with_name(similar).name}?" if similar else "Check the path."
