"""The pages of methods and guides, from the Markdown of the documentation."""

import posixpath
from collections.abc import Collection, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markupsafe import Markup

from grooveledger.report import page

#: A cell of this many characters is broken into lines.
LONG_CELL = 30


def write(docs: Path, out: Path) -> None:
    """Render every Markdown page below a folder, all into one folder.

    Parameters
    ----------
    docs : Path
        Holds the pages, in folders of its own or not; links between them are relative.
    out : Path
        ``report/methods``.

    Raises
    ------
    ValueError
        A page has no heading, a link leads to no page, or two pages have one name.
    """
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    # A wide table is scrolled by itself, by the keyboard too.
    markdown.add_render_rule("table_open", _table_open)
    markdown.add_render_rule("table_close", _table_close)
    pages = {path.relative_to(docs).as_posix(): path for path in sorted(docs.rglob("*.md"))}
    if len({path.stem for path in pages.values()}) < len(pages):
        raise ValueError(f"two pages below {docs.name} have one name")
    for name, path in pages.items():
        tokens = markdown.parse(path.read_text(encoding="utf-8"))
        page.write(
            "methods.html",
            out / f"{path.stem}.html",
            depth=1,
            heading=_heading(tokens, name),
            # Markup of the project's own pages; HTML in them is not let through.
            text=Markup(
                markdown.renderer.render(_adapted(tokens, name, pages), markdown.options, {})
            ),
        )


def _heading(tokens: list[Token], name: str) -> str:
    for token, following in pairwise(tokens):
        if token.type == "heading_open" and token.tag == "h1":
            return following.content
    raise ValueError(f"{name}: a page begins with a heading")


def _adapted(tokens: list[Token], name: str, pages: Collection[str]) -> list[Token]:
    """Lead links to the pages made of Markdown; let the keyboard reach wide formulae."""
    for token, following in pairwise(tokens):
        if token.type in ("code_block", "fence"):
            token.attrSet("tabindex", "0")
        if token.type == "td_open" and len(following.content) > LONG_CELL:
            token.attrSet("class", "long")
        for child in token.children or ():
            target = child.attrGet("href")
            if isinstance(target, str):
                child.attrSet("href", _page_link(target, name, pages))
    return tokens


def _page_link(target: str, name: str, pages: Collection[str]) -> str:
    """Return the link from one page to another, all of them in one folder."""
    path, hash_sign, place = target.partition("#")
    found = posixpath.normpath(posixpath.join(posixpath.dirname(name), path)) if path else name
    if found not in pages:
        raise ValueError(f"{name}: the link to {target} leads to no page")
    return posixpath.basename(found).removesuffix(".md") + ".html" + hash_sign + place


def _table_open(
    renderer: RendererHTML, tokens: Sequence[Token], index: int, options: Any, env: Any
) -> str:
    return '<div class="scroll" tabindex="0" role="group" aria-label="Table">\n<table>\n'


def _table_close(
    renderer: RendererHTML, tokens: Sequence[Token], index: int, options: Any, env: Any
) -> str:
    return "</table>\n</div>\n"
