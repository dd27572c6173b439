"""How a page is made: templates filled with escaped text, written whole or not at all."""

import functools
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from grooveledger import __version__
from grooveledger.report.pictures.style import Picture, inline_svg, save
from grooveledger.storage.atomic_write import written_whole
from grooveledger.vocabulary import words

HERE = Path(__file__).parent


@functools.cache
def templates() -> jinja2.Environment:
    """Give the templates' environment: everything is escaped, an unknown name is a bug."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        style=Markup((HERE / "templates" / "style.css").read_text(encoding="utf-8")),
        version=__version__,
        words=words,
    )
    return environment


def write(template: str, path: Path, depth: int, **values: Any) -> None:
    """Fill a template and write the page.

    Parameters
    ----------
    template : str
        File name of the template.
    path : Path
        The page.
    depth : int
        How many folders the page lies below the report's own, for links.
    **values
        What the template needs.
    """
    text = templates().get_template(template).render(root="../" * depth, **values)
    with written_whole(path) as scratch:
        scratch.write_text(text, encoding="utf-8")


def pictures(found: Iterable[Picture], folder: Path) -> list[Mapping[str, Any]]:
    """Save pictures for a page into a folder of its own, without what an earlier run left there."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in (*folder.glob("*.svg"), *folder.glob("*.png")):
        old.unlink()
    return [
        {
            "name": picture.name,
            "title": picture.title,
            "note": picture.note,
            "folder": folder.name,
            # Our own drawing: every text in it was escaped when it was drawn.
            "svg": Markup(inline_svg(save(picture, folder), picture)),
        }
        for picture in found
    ]
