"""Near misses: what a person probably meant."""

import difflib
from collections.abc import Iterable

#: Longer words and longer lists are not compared: the cost grows with both.
WORD_MAX = 100
OPTIONS_MAX = 1000
#: This many options are listed.
LISTED_MAX = 12


def near_miss(word: str, options: Iterable[str]) -> str | None:
    """Return the option that is most like a word, or None where none is."""
    if len(word) > WORD_MAX:
        return None
    folded: dict[str, str] = {}
    for option in options:
        folded.setdefault(option.casefold(), option)
        if len(folded) == OPTIONS_MAX:
            break
    close = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def listed(options: Iterable[str]) -> str:
    """Return the options as text, cut where they are many."""
    names = list(options)
    shown = ", ".join(names[:LISTED_MAX])
    more = len(names) - LISTED_MAX
    return f"{shown} and {more} more" if more > 0 else shown


def suggestion(word: str, options: Iterable[str], kind: str) -> str:
    """Return a remedy for a word that is not among the options."""
    names = list(options)
    similar = near_miss(word, names)
    if similar is not None:
        return f"Did you mean '{similar}'?"
    return f"Known {kind}: {listed(names)}." if names else f"There are no {kind}."
