"""The pack as PDF, A4 or Letter: headings stay with what follows, tables repeat their header."""

import io
import os
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from dashboard import drawing
from dashboard.review.html import foot, right_columns, shown
from dashboard.review.model import (
    Block,
    Contents,
    Figure,
    Heading,
    Table,
    Words,
    canonical,
    checksum,
)
from dashboard.review.pictures import Picture
from dashboard.review.seal import sealed_pdf

REGULAR, BOLD = "pack", "pack-bold"
INK, SOFT, LINE, ACCENT = "#2a2d31", "#5c6269", "#c9c8c4", "#8f3d07"
SIDE, TOP, FOOT = 14.0, 14.0, 19.0  # mm
SHARP = 2.0  # points of a picture to one of the screen
FEW = 4  # headings and sentences that open a section, kept with what follows
MOST_LETTERS, MOST_LINES = 2000, 22
"""Of a cell; what is longer is cut and ends in dots. HTML and Excel hold the whole."""
_PAD = 9.0  # points between two columns
SHORT = 90.0  # mm that a heading and its short table may need to be kept together
_BLANKS = re.compile(r"[ \t\r\n\f\v]+")
_STAND_IN = {"→": "to", "μ": "µ", "\u2011": "-", "\u202f": "\u00a0", "\u2009": " ", "●": "•"}


@dataclass(frozen=True, slots=True)
class _Size:
    """Sizes of text in points."""

    body: float
    cell: float
    heading: float
    gap: float


_FULL = _Size(8.8, 7.4, 12.5, 3.2)
_BRIEF = (_Size(7.8, 6.9, 9.6, 1.4), _Size(7.2, 6.4, 8.8, 1.0), _Size(6.6, 5.9, 8.0, 0.7))
"""Of the summary: the largest that leaves it on one page."""


def document(contents: Contents, pictures: Mapping[str, Picture], paper: str = "a4") -> bytes:
    """The file; the same contents give the same bytes."""
    brief = contents.audience == "summary"
    for size in _BRIEF if brief else (_FULL,):
        raw, pages = _made(contents, pictures, paper, size)
        if pages == 1:
            break
    return sealed_pdf(raw)


def _made(
    contents: Contents, pictures: Mapping[str, Picture], paper: str, size: _Size
) -> tuple[bytes, int]:
    """The document and its pages, with text of this size."""
    from reportlab.lib import pagesizes
    from reportlab.lib.units import mm
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    _register_fonts()
    width, height = {"a4": pagesizes.A4, "letter": pagesizes.LETTER}[paper]
    raw = io.BytesIO()
    made = BaseDocTemplate(
        raw,
        pagesize=(width, height),
        title=_plain(f"{contents.title}, {contents.period}"),
        author="viscosity-spc",
        creator="viscosity-spc",
        subject=f"contents sha256 {checksum(contents)}",
        lang="en",
        invariant=1,
        pageCompression=1,
        leftMargin=SIDE * mm,
        rightMargin=SIDE * mm,
        topMargin=TOP * mm,
        bottomMargin=FOOT * mm,
    )
    room = Frame(
        made.leftMargin, made.bottomMargin, made.width, made.height,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0, id="page",
    )  # fmt: skip
    made.addPageTemplates(PageTemplate("page", [room]))
    story = list(_story(contents, pictures, made.width, size))
    made.build(story, canvasmaker=_canvas(foot(contents)))
    return raw.getvalue(), int(made.page)


def _story(
    contents: Contents, pictures: Mapping[str, Picture], width: float, size: _Size
) -> Iterator[Any]:
    from reportlab.lib.units import mm
    from reportlab.platypus import CondPageBreak, Spacer

    styles = _styles(size)
    yield _text(contents.title, styles["title"])
    yield _text(contents.period, styles["lead"])
    yield _text(contents.headline, styles["glance"])
    for name, said in (
        ("Products", contents.products),
        ("Period", contents.borders),
        ("Data cut-off", contents.cut_off),
        ("Store revision", str(contents.revision)),
        ("Contents sha256", checksum(contents)),
    ):
        yield _labelled(name, said, styles["body"])
    yield Spacer(1, size.gap)
    yield _text(contents.caution, styles["caution"])
    for number, section in enumerate(contents.sections, 1):
        title = _text(f"{number}. {section.title} ({section.minutes} min)", styles["section"])
        yield from _together(title, section.blocks, pictures, width, styles, size)
    yield CondPageBreak((45 if size is _FULL else 12) * mm)
    yield _text("What was assumed", styles["section"])
    for said in contents.assumed:
        yield _text(said, styles["body"])
    if _lacks_letters(contents):
        yield _text(
            "This document's font lacks some letters of the names: they stand here without their "
            "marks, or as a question mark. The pack as HTML or Excel has them.",
            styles["body"],
        )
    yield Spacer(1, size.gap)
    yield _text(contents.caution, styles["caution"])


def _together(
    title: Any,
    blocks: tuple[Block, ...],
    pictures: Mapping[str, Picture],
    width: float,
    styles: Mapping[str, Any],
    size: _Size,
) -> Iterator[Any]:
    """The flowables of a section; headings and captions are kept with what follows them."""
    from reportlab.lib.units import mm
    from reportlab.platypus import CondPageBreak, KeepTogether, Spacer

    waiting = [title]  # headings and sentences whose follower is not known yet
    for block in blocks:
        if isinstance(block, Heading):
            opens = waiting and waiting[0].style.name == "section" and len(waiting) <= FEW
            if waiting and not opens:
                yield from _kept(waiting)
                waiting = []
            waiting.append(_text(block.text, styles["heading"]))
            continue
        if isinstance(block, Words):
            style = "strong" if block.strong else "quiet" if block.quiet else "body"
            waiting.append(_text(block.text, styles[style]))
            continue
        if isinstance(block, Table) and not block.rows:
            waiting.append(_labelled(block.title, block.empty, styles["body"]))
            continue
        if isinstance(block, Figure):
            caption = _text(block.title, styles["caption"])
            picture = _picture(pictures[block.key], width)
            yield KeepTogether([*waiting, caption, picture, Spacer(1, size.gap)])
        else:
            caption = _text(block.title, styles["caption"])
            table, tall = _table(block, width, styles)
            if tall < SHORT * mm:
                yield KeepTogether([*waiting, caption, table])
            else:  # what leads to it, and its first rows, or all of that on the next page
                above = sum(one.wrap(width, 1e6)[1] + one.style.spaceBefore for one in waiting)
                yield CondPageBreak(above + 42 * mm)
                yield from waiting
                yield caption
                yield table
            yield Spacer(1, size.gap)
        waiting = []
    yield from _kept(waiting)


def _kept(waiting: list[Any]) -> Iterator[Any]:
    from reportlab.platypus import KeepTogether

    if waiting:
        yield KeepTogether(list(waiting))


def _styles(size: _Size) -> dict[str, Any]:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle

    ink, soft = HexColor(INK), HexColor(SOFT)

    def style(name: str, font: str, points: float, **more: Any) -> ParagraphStyle:
        given = {"leading": points * 1.32, "textColor": ink, "splitLongWords": 1}
        given |= {"allowOrphans": 0, "allowWidows": 0}
        return ParagraphStyle(name, fontName=font, fontSize=points, **{**given, **more})

    body, gap = size.body, size.gap
    return {
        "title": style("title", BOLD, size.heading + 4, spaceAfter=2),
        "lead": style("lead", REGULAR, body + 1.5, spaceAfter=2),
        "glance": style("glance", BOLD, body + 0.6, spaceAfter=gap, textColor=HexColor(ACCENT)),
        "section": style("section", BOLD, size.heading, spaceBefore=3 * gap, spaceAfter=gap),
        "heading": style("heading", BOLD, body + 0.8, spaceBefore=2 * gap, spaceAfter=gap * 0.6),
        "body": style("body", REGULAR, body, spaceAfter=gap * 0.7),
        "strong": style("strong", BOLD, body, spaceAfter=gap * 0.7),
        "quiet": style("quiet", REGULAR, body - 1, textColor=soft, spaceAfter=gap),
        "caption": style("caption", REGULAR, body - 0.8, textColor=soft, spaceBefore=gap * 0.5,
                         spaceAfter=1.5),
        "caution": style("caution", BOLD, body - 0.4, borderColor=HexColor(ACCENT), borderWidth=0.8,
                         borderPadding=3, spaceBefore=4, spaceAfter=5),
        "cell": style("cell", REGULAR, size.cell, leading=size.cell * 1.26),
        "number": style("number", REGULAR, size.cell, leading=size.cell * 1.26, alignment=2),
        "head": style("head", BOLD, size.cell, leading=size.cell * 1.22),
        "head-number": style("head-number", BOLD, size.cell, leading=size.cell * 1.22, alignment=2),
    }  # fmt: skip


def _table(table: Table, width: float, styles: Mapping[str, Any]) -> tuple[Any, float]:
    """The table and how tall it would be on one page."""
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table as Flowable

    numbers = right_columns(table)
    widths = _widths(table, width, styles["head"].fontSize)
    places = list(zip(numbers, widths, strict=True))
    head = [
        _text(_cut(name, room, BOLD, styles["head"]), styles["head-number" if right else "head"])
        for name, (right, room) in zip(table.columns, places, strict=True)
    ]
    rows = [
        [
            _text(
                _cut(shown(cell), room, REGULAR, styles["cell"]),
                styles["number" if right else "cell"],
            )
            for cell, (right, room) in zip(row, places, strict=True)
        ]
        for row in table.rows
    ]
    made = Flowable(
        [head, *rows],
        colWidths=widths,
        repeatRows=1,
        hAlign="LEFT",
        style=[
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), _PAD),
            ("TOPPADDING", (0, 0), (-1, -1), 1.4),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(INK)),
            ("LINEBELOW", (0, 1), (-1, -1), 0.3, HexColor(LINE)),
        ],
    )
    return made, float(made.wrap(width, 1e6)[1])


def _widths(table: Table, width: float, points: float) -> list[float]:
    """Widths of columns: never less than their longest word, the rest by how much stands there."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    pad = _PAD + 1.0
    least, wanted = [], []
    for i, name in enumerate(table.columns):
        words = [(_plain(shown(row[i]))[:MOST_LETTERS], REGULAR) for row in table.rows]
        words.append((_plain(name), BOLD))
        longest = max(
            stringWidth(word, font, points)
            for said, font in words
            for word in (said.split() or [""])
        )
        least.append(min(longest + pad, width / 3))
        cells = [stringWidth(said, font, points) + pad for said, font in words[:-1]]
        heading = stringWidth(words[-1][0], BOLD, points) / 2 + pad  # it may take two lines
        wanted.append(max([*cells, heading, least[-1]]))
    if sum(wanted) <= width:  # everything on one line each: the rest is left free
        return wanted
    total = sum(least)
    if total >= width:
        return [one * width / total for one in least]
    more = [max(0.0, w - n) ** 0.6 for w, n in zip(wanted, least, strict=True)]
    spare = width - total
    return [n + spare * m / sum(more) for n, m in zip(least, more, strict=True)]


def _picture(picture: Picture, width: float) -> Any:
    from reportlab.platypus import Image

    raw = io.BytesIO(drawing.png_of(picture.svg, SHARP))
    return Image(raw, width=width, height=width * picture.height / picture.width)


def _text(said: str, style: Any) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(_safe(said), style)


def _labelled(name: str, said: str, style: Any) -> Any:
    from reportlab.platypus import Paragraph

    return Paragraph(f'<font color="{SOFT}">{_safe(name)}:</font> {_safe(said)}', style)


def _safe(said: str) -> str:
    """Text as a paragraph takes it: no markup of it is obeyed."""
    return escape(_plain(said))


def _plain(said: str) -> str:
    """Text in letters that the font has: others by their base letter, else as a question mark."""
    known = _letters()
    out = []
    for letter in _BLANKS.sub(" ", str(said)).strip().replace(" %", "\u00a0%"):
        stand_in = _STAND_IN.get(letter, letter)
        if all(ord(one) in known for one in stand_in):
            out.append(stand_in)
            continue
        base = [one for one in unicodedata.normalize("NFKD", letter) if ord(one) in known]
        out.append("".join(base) or ("" if unicodedata.combining(letter) else "?"))
    return "".join(out)


def _lacks_letters(contents: Contents) -> bool:
    """Whether any text of the pack needs a letter that the font does not have."""
    used = set(canonical(contents)) - set(_STAND_IN)
    return any(letter.isprintable() and ord(letter) not in _letters() for letter in used)


def _cut(said: str, room: float, font: str, style: Any) -> str:
    """Text that takes about MOST_LINES lines at most: a row is never taller than a page."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    said = said[:MOST_LETTERS]
    needed = stringWidth(_plain(said), font, style.fontSize)
    allowed = MOST_LINES * max(room - _PAD, style.fontSize)
    return said if needed <= allowed else f"{said[: int(len(said) * allowed / needed)]} …"


@cache
def _letters() -> frozenset[int]:
    """Code points that both fonts of the pack have."""
    from reportlab.pdfbase import pdfmetrics

    _register_fonts()
    faces = [pdfmetrics.getFont(name).face for name in (REGULAR, BOLD)]
    return frozenset(faces[0].charToGlyph) & frozenset(faces[1].charToGlyph)


def _register_fonts() -> None:
    """The two fonts that come with the PDF library, so that a pack looks alike everywhere."""
    import reportlab
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if REGULAR in pdfmetrics.getRegisteredFontNames():
        return
    folder = Path(os.path.dirname(reportlab.__file__)) / "fonts"
    for name, file in ((REGULAR, "Vera.ttf"), (BOLD, "VeraBd.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _canvas(lines: tuple[str, str]) -> Any:
    """A canvas that numbers its pages when all are made, and writes the foot of each."""
    from reportlab.lib.colors import HexColor
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    class Numbered(Canvas):  # type: ignore[misc]
        """Pages are held back until their number is known."""

        def __init__(self, *args: Any, **more: Any) -> None:
            super().__init__(*args, **{**more, "initialFontName": REGULAR})
            self._held: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - the library's name
            """Keep the page for later."""
            self._held.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            """Write the foot of every page, then the file."""
            for number, state in enumerate(self._held, 1):
                self.__dict__.update(state)
                self._foot(number, len(self._held))
                super().showPage()
            super().save()

        def _foot(self, number: int, n: int) -> None:
            self.setStrokeColor(HexColor(LINE))
            self.setLineWidth(0.4)
            right = self._pagesize[0] - SIDE * mm
            self.line(SIDE * mm, 14.5 * mm, right, 14.5 * mm)
            self.setFillColor(HexColor("#444444"))
            self.setFont(REGULAR, 6.4)
            self.drawString(SIDE * mm, 11 * mm, _plain(lines[0]))
            self.drawString(SIDE * mm, 8 * mm, _plain(lines[1]))
            self.drawRightString(right, 11 * mm, f"Page {number} of {n}")

    return Numbered
