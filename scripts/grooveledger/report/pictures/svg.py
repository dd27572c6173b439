"""How a picture becomes a file or an element of a page."""

import io
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG

from grooveledger.report.pictures.style import COLOURS, RC, Picture

#: Twice the pixels of a 110 dpi screen.
PNG_DPI = 220
#: Of zlib: half the time of its usual 6, for a tenth more bytes.
PNG_COMPRESSION = 3
#: Points in an inch: the unit of coordinates in an SVG document.
POINTS = 72.0
#: Decimals of coordinates in a page: a hundredth of a point is far less than can be seen or read.
PLACES = 2
NAMESPACE = "{http://www.w3.org/2000/svg}"
HREF = "{http://www.w3.org/1999/xlink}href"
#: Properties of a style attribute that the page's style sheet gives, or that are the initial value.
GIVEN = ("font-family", "stroke-linecap", "stroke-linejoin")
_COLOUR_NAMES = {colour: f"var(--{name})" for name, colour in COLOURS.items()}


def document(picture: Picture) -> str:
    """Draw a picture as a whole SVG document, the same bytes for the same picture."""
    buffer = io.BytesIO()
    with mpl.rc_context(RC):
        canvas: Any = FigureCanvasSVG(picture.figure)
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})
    return buffer.getvalue().decode()


def png(picture: Picture) -> bytes:
    """Draw a picture as PNG."""
    buffer = io.BytesIO()
    with mpl.rc_context(RC):
        picture.figure.set_dpi(PNG_DPI)
        canvas: Any = FigureCanvasAgg(picture.figure)
        canvas.print_png(
            buffer, metadata={"Software": None}, pil_kwargs={"compress_level": PNG_COMPRESSION}
        )
        picture.figure.set_dpi(POINTS)
    return buffer.getvalue()


def save(picture: Picture, folder: Path) -> str:
    """Write a picture as SVG into a folder, and return the document."""
    drawn = document(picture)
    (folder / f"{picture.name}.svg").write_text(drawn, encoding="utf-8")
    return drawn


def save_with_pixels(picture: Picture, folder: Path) -> None:
    """Write a picture as SVG and PNG into a folder."""
    save(picture, folder)
    (folder / f"{picture.name}.png").write_bytes(png(picture))


def inline(drawn: str, picture: Picture) -> str:
    """Turn an SVG document into an element of a page, with its alternative text.

    Colours become the page's variables; ids the picture's own, since several pictures share a page,
    and short, since a picture has hundreds.
    Panels carry their scales (`data-x`, `data-y`: kind, values at the ends, places of the ends) and
    lines their names (`data-line`), from which the page's script reads values.
    """
    root = ET.fromstring(drawn)
    panels = iter(picture.figure.axes)
    numbers: dict[str, int] = {}

    def own(name: str) -> str:
        return f"{picture.name}-{numbers.setdefault(name, len(numbers))}"

    width, height = root.attrib["viewBox"].split()[2:]
    body = ET.Element(
        "svg",
        {
            "class": "picture",
            "role": "img",
            "aria-label": picture.alt,
            "viewBox": f"0 0 {width} {height}",
        },
    )
    for child in root:
        is_empty = child.tag == f"{NAMESPACE}defs" and not _holds_paths(child)
        if child.tag != f"{NAMESPACE}metadata" and not is_empty:
            body.append(child)
    for element in body.iter():
        _adapt(element, picture, panels, own)
    _share_styles(body)
    _prune(body)
    return ET.tostring(body, encoding="unicode")


def _holds_paths(element: ET.Element) -> bool:
    return any(child.tag != f"{NAMESPACE}style" for child in element)


def _adapt(
    element: ET.Element, picture: Picture, panels: Iterator[Axes], own: Callable[[str], str]
) -> None:
    """Make one element of a document part of a page."""
    element.tag = element.tag.removeprefix(NAMESPACE)
    element.text = element.text if (element.text or "").strip() else None
    element.tail = None
    values = element.attrib
    name = values.pop("id", "") if element.tag == "g" else values.get("id", "")
    if element.tag == "g" and name:
        role, _, rest = name.partition(".")
        if role in ("curve", "part", "key") and rest:
            values["class"], values["data-line"] = role, rest
        elif name.startswith("axes_"):
            values["class"] = "panel"
            values.update(_scales(next(panels), picture))
    elif name:
        values["id"] = own(name)
    if HREF in values:
        values["href"] = "#" + own(values.pop(HREF).removeprefix("#"))
    if "clip-path" in values:
        clip = values["clip-path"].removeprefix("url(#").removesuffix(")")
        values["clip-path"] = f"url(#{own(clip)})"
    if "style" in values:
        values["style"] = _style(values["style"])
    for attribute in ("d", "x", "y", "width", "height"):
        if attribute in values:
            values[attribute] = " ".join(_rounded(part) for part in values[attribute].split())
    if values.get("transform", "").startswith("rotate(-0 "):
        del values["transform"]


def _scales(axes: Axes, picture: Picture) -> dict[str, str]:
    """Describe the scales of a panel: kind, values at the ends, places of the ends."""
    width, height = (side * POINTS for side in picture.figure.get_size_inches())
    box = axes.get_position()
    found = {}
    for name, kind, ends, first, last in (
        ("data-x", axes.get_xscale(), axes.get_xlim(), box.x0 * width, box.x1 * width),
        (
            "data-y",
            axes.get_yscale(),
            axes.get_ylim(),
            (1 - box.y0) * height,
            (1 - box.y1) * height,
        ),
    ):
        numbers = (float(ends[0]), float(ends[1]), float(first), float(last))
        found[name] = " ".join([kind, *(f"{number:.8g}" for number in numbers)])
    labels = axes.get_xlabel() or picture.figure.axes[-1].get_xlabel(), axes.get_ylabel()
    # Names in two lines are one name.
    x, y = (label.replace("\n", " ") for label in labels)
    return {**found, "data-label-x": x, "data-label-y": y}


def _style(written: str) -> str:
    """Shorten a style, with the page's variables for colours."""
    kept = []
    for part in written.split(";"):
        name, _, value = part.strip().partition(": ")
        if name and name not in GIVEN:
            kept.append(f"{name}:{_COLOUR_NAMES.get(value, value)}")
    return ";".join(kept)


def _rounded(part: str) -> str:
    try:
        return f"{round(float(part), PLACES):.10g}"
    except ValueError:
        return part


def _share_styles(body: ET.Element) -> None:
    """Write the style of marks that look alike once, on their group, which hands it down.

    Opacity is not handed down: it would be that of the whole group.
    """
    for group in body.iter("g"):
        looks = {mark.get("style", "") for mark in group}
        if len(group) > 1 and len(looks) == 1 and all(mark.tag == "use" for mark in group):
            (look,) = looks
            if look and "style" not in group.attrib and not f";{look}".count(";opacity:"):
                group.set("style", look)
                for mark in group:
                    del mark.attrib["style"]


def _prune(element: ET.Element) -> None:
    """Drop groups that hold nothing."""
    for child in list(element):
        _prune(child)
        if child.tag in ("g", "defs") and not len(child):
            element.remove(child)
