"""The pack as one HTML file: it opens offline, asks for nothing, and prints on A4 and Letter."""

import importlib.resources
import re
from collections.abc import Mapping
from typing import Any

from dashboard import text
from dashboard.review.model import Contents, Figure, Heading, Table, Words, checksum
from dashboard.review.pictures import Picture
from dashboard.review.seal import sealed_html

_LONG = re.compile(r"(\S{22})(?=\S)")
_MOSTLY_NUMBERS = 0.6  # of the cells of a column, to set it to the right


def page(contents: Contents, pictures: Mapping[str, Picture]) -> bytes:
    """The file. Every text is escaped; in the pictures, which are our own SVG, by the drawing."""
    import jinja2  # needed only here

    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["cell"] = lambda value: jinja2.utils.markupsafe.Markup("<wbr>").join(
        _pieces(shown(value))
    )
    folder = importlib.resources.files("dashboard.review")
    template = environment.from_string((folder / "pack.html.jinja").read_text(encoding="utf-8"))
    made = template.render(
        contents=contents,
        checksum=checksum(contents),
        style=(folder / "pack.css").read_text(encoding="utf-8"),
        foot=foot(contents),
        pictures={
            figure.key: pictures[figure.key].inline(f"figure-{number}")
            for number, figure in enumerate(contents.figures)
        },
        kind=_kind,
        right=right_columns,
    )
    return sealed_html(made.encode())


def _pieces(words: str) -> list[str]:
    """Words that are longer than a column may be, so that a line may end inside them."""
    return [piece for piece in _LONG.split(words) if piece]


def foot(contents: Contents) -> tuple[str, str]:
    """The two lines at the foot of every page on paper."""
    return (
        f"Data cut-off {contents.cut_off} · store revision {contents.revision}",
        f"contents sha256 {checksum(contents)}",
    )


def shown(value: Any) -> str:
    """A cell in words."""
    if value is None or value == "":
        return text.MISSING
    return text.plain(value) if isinstance(value, float) else str(value)


def right_columns(table: Table) -> list[bool]:
    """Which columns hold numbers, so that they stand to the right."""
    found = []
    for i in range(len(table.columns)):
        cells = [row[i] for row in table.rows if row[i] not in (None, "", text.MISSING)]
        numbers = sum(isinstance(one, int | float) or _is_number(str(one)) for one in cells)
        found.append(bool(cells) and numbers >= _MOSTLY_NUMBERS * len(cells))
    return found


def _is_number(words: str) -> bool:
    return any(letter.isdigit() for letter in words) and not set(words) - set("0123456789.,−-–% ")


def _kind(block: Any) -> str:
    if isinstance(block, Words):
        return "words"
    if isinstance(block, Heading):
        return "heading"
    return "table" if isinstance(block, Table) else "figure" if isinstance(block, Figure) else ""
