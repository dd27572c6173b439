"""Where the texts of a picture lie, for tests that none covers another or leaves the picture."""

from itertools import combinations
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from grooveledger.report.pictures.style import RC, Picture

#: Boxes of texts hold room for descenders and accents: so much of a line may be shared, in points.
SHARED_PT = (1.0, 3.0)
#: Rounding of glyphs may reach so far beyond the picture's edge, in points.
EDGE_PT = 0.5


def collisions(picture: Picture) -> list[tuple[str, str]]:
    """Pairs of texts that cover one another, and (text, "edge") of those cut off."""
    with mpl.rc_context(RC):
        canvas: Any = FigureCanvasAgg(picture.figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        texts = [
            (text.get_text(), text.get_window_extent(renderer))
            for text in picture.figure.findobj(Text)
            if text.get_text().strip() and text.get_visible()
        ]
    point = picture.figure.dpi / 72.0
    edge = picture.figure.bbox
    found = [
        (text, "edge")
        for text, box in texts
        if box.x0 < edge.x0 - EDGE_PT * point
        or box.x1 > edge.x1 + EDGE_PT * point
        or box.y0 < edge.y0 - EDGE_PT * point
        or box.y1 > edge.y1 + EDGE_PT * point
    ]
    for (one, a), (other, b) in combinations(texts, 2):
        width = min(a.x1, b.x1) - max(a.x0, b.x0)
        height = min(a.y1, b.y1) - max(a.y0, b.y0)
        if width > SHARED_PT[0] * point and height > SHARED_PT[1] * point:
            found.append((one, other))
    return found
