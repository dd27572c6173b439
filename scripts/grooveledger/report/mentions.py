"""Capture ids in sentences, made links to the captures' pages."""

import re
from collections.abc import Callable, Collection

from markupsafe import Markup, escape

from grooveledger.report.grids import link

#: What may be an id, with the word before it that says so.
ID = re.compile(r"(?P<before>[Cc]aptures? )?(?P<id>[A-Za-z0-9][A-Za-z0-9._-]*)")
#: A letter and a digit: ids without both are linked after the word "capture" alone.
UNMISTAKABLE = re.compile(r"(?=.*[A-Za-z])(?=.*[0-9])")

Linker = Callable[[str | None], Markup]


def linker(captures: Collection[str], root: str = "") -> Linker:
    """Return a function that escapes a sentence and links the captures that it names.

    An id that might as well be a date, a number or a word of the sentence is taken for one, unless
    "capture" stands before it. A file's name that begins with an id is no mention of it.

    Parameters
    ----------
    captures : collection of str
        Ids of the captures that have a page.
    root : str
        The way from the page to the report's own folder.

    Examples
    --------
    >>> linked = linker({"may-1", "7"}, "../")
    >>> print(linked("Repeat capture 7, as may-1 was 7 dB off; see may-1.flac."))
    Repeat capture <a href="../captures/7.html">7</a>, as \
<a href="../captures/may-1.html">may-1</a> was 7 dB off; see may-1.flac.
    """
    known = frozenset(captures)

    def link_one(found: re.Match[str]) -> Markup:
        name, rest = found["id"], ""
        if name not in known:
            # A sentence's own full stop is none of an id's.
            name = name.rstrip("._-")
            rest = found["id"][len(name) :]
        before = found["before"] or ""
        if name not in known or not (before or UNMISTAKABLE.match(name)):
            return escape(found[0])
        return escape(before) + link(f"{root}captures/{name}.html", name) + escape(rest)

    def linked(sentence: str | None) -> Markup:
        said, parts, end = sentence or "", [], 0
        for found in ID.finditer(said):
            parts += [escape(said[end : found.start()]), link_one(found)]
            end = found.end()
        return Markup("").join([*parts, escape(said[end:])])

    return linked
