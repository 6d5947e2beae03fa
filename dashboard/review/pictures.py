"""The figures of a pack as pictures, each drawn once."""

import re
from collections.abc import Callable
from dataclasses import dataclass

from dashboard import drawing
from dashboard.review.model import Contents

Progress = Callable[[int, int, str], None]
_ID = re.compile(r'(\bid="|url\(#|href="#)')
_SIZE = re.compile(r'<svg\b[^>]*?\bwidth="([\d.]+)"[^>]*?\bheight="([\d.]+)"')


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure as SVG, and its size in pixels."""

    svg: str
    width: float
    height: float

    def inline(self, prefix: str) -> str:
        """The picture for a page that holds several: ids of its own, as wide as there is room."""
        own = _ID.sub(rf"\g<1>{prefix}-", self.svg)
        return re.sub(r'(<svg\b[^>]*?) width="[\d.]+" height="[\d.]+"', r"\1", own, count=1)


def pictures_of(contents: Contents, progress: Progress | None = None) -> dict[str, Picture]:
    """Every figure drawn, by its key."""
    figures = contents.figures
    found = {}
    for done, figure in enumerate(figures):
        if progress is not None:
            progress(done, len(figures), figure.title)
        svg = drawing.svg_of(figure.spec)
        size = _SIZE.search(svg)
        width, height = (float(one) for one in size.groups()) if size else (900.0, 300.0)
        found[figure.key] = Picture(svg, width, height)
    if progress is not None:
        progress(len(figures), len(figures), "done")
    return found
