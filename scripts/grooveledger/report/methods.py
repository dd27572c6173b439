"""The pages of methods, from the Markdown of the documentation."""

from itertools import pairwise
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from grooveledger.report import page


def write(source: Path, folder: Path) -> None:
    """Render every Markdown page of a folder.

    Parameters
    ----------
    source : Path
        Holds the pages; links between them end in ``.md``.
    folder : Path
        ``report/methods``.
    """
    markdown = MarkdownIt("commonmark", {"html": False})
    for path in sorted(source.glob("*.md")):
        tokens = markdown.parse(path.read_text(encoding="utf-8"))
        page.write(
            "methods.html",
            folder / f"{path.stem}.html",
            depth=1,
            heading=_heading(tokens, path),
            # Markup of the project's own pages; HTML in them is not let through.
            text=Markup(markdown.renderer.render(_adapted(tokens), markdown.options, {})),
        )


def _heading(tokens: list[Token], path: Path) -> str:
    for token, following in pairwise(tokens):
        if token.type == "heading_open" and token.tag == "h1":
            return following.content
    raise ValueError(f"{path.name}: a page of methods begins with a heading")


def _adapted(tokens: list[Token]) -> list[Token]:
    """Lead links to the pages made of Markdown; let the keyboard reach wide formulae."""
    for token in tokens:
        if token.type in ("code_block", "fence"):
            token.attrSet("tabindex", "0")
        for child in token.children or ():
            target = child.attrGet("href")
            if isinstance(target, str) and target.endswith(".md") and "/" not in target:
                child.attrSet("href", target.removesuffix(".md") + ".html")
    return tokens
