"""Pictures of a page: drawn once, saved beside it, and set into it."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from grooveledger.report.mentions import Linker
from grooveledger.report.pictures import svg
from grooveledger.report.pictures.style import Picture, signed


def pictures(
    drawings: Iterable[Picture], folder: Path, signature: str = "", linked: Linker = escape
) -> list[Mapping[str, Any]]:
    """Save pictures for a page as SVG in a folder of its own, and remove an earlier run's.

    Parameters
    ----------
    drawings : iterable of Picture
        The pictures.
    folder : Path
        Where they go.
    signature : str
        What all of them are of, to stand in each.
    linked : callable
        Escapes a note, and may link the captures that it names.

    Returns
    -------
    list of mapping
        name, title, note, folder and svg (the element for the page) of each picture.
    """
    folder.mkdir(parents=True, exist_ok=True)
    old = {path.name for path in (*folder.glob("*.svg"), *folder.glob("*.png"))}
    items: list[Mapping[str, Any]] = []
    for picture in drawings:
        document = svg.save(signed(picture, signature), folder)
        old.discard(f"{picture.name}.svg")
        items.append(
            {
                "name": picture.name,
                "title": picture.title,
                "note": linked(picture.note),
                "folder": folder.name,
                # Our own drawing: every text in it was escaped when it was drawn.
                "svg": Markup(svg.inline(document, picture)),
            }
        )
    for name in old:
        (folder / name).unlink()
    return items
