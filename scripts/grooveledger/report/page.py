"""How a page is made: templates filled with escaped text, written whole or not at all."""

import functools
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from grooveledger import __version__
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
        # Our own script, in every page: pages are read from a disk, alone or not.
        script=Markup((HERE / "templates" / "page.js").read_text(encoding="utf-8")),
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
    write_text(path, text)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all."""
    with written_whole(path) as scratch:
        scratch.write_text(text, encoding="utf-8")
