"""A file of a pack by its ending, written whole or not at all."""

import os
from collections.abc import Callable, Mapping
from pathlib import Path

from dashboard.results import AssessmentError
from dashboard.review import html, pdf, tables
from dashboard.review.model import Contents
from dashboard.review.pictures import Picture, Progress, pictures_of

Maker = Callable[[Contents, Mapping[str, Picture], str], bytes]
MAKERS: dict[str, tuple[str, Maker]] = {
    ".html": ("HTML", lambda contents, pictures, _paper: html.page(contents, pictures)),
    ".pdf": ("PDF", pdf.document),
    ".xlsx": ("Excel", lambda contents, _pictures, _paper: tables.workbook(contents)),
}
"""Ending of the file to its name and what makes it."""
PAPERS = ("a4", "letter")


def ending_of(file: str | Path) -> str:
    """Which kind of file is asked for.

    Raises:
        AssessmentError: it is none of those that can be made.
    """
    ending = Path(file).suffix.lower()
    if ending not in MAKERS:
        raise AssessmentError(f"{file}: name a file that ends in {', '.join(MAKERS)}.")
    return ending


def made(
    contents: Contents,
    endings: list[str],
    paper: str = PAPERS[0],
    progress: Progress | None = None,
) -> dict[str, bytes]:
    """Files of the same contents; every figure is drawn once.

    Args:
        contents: of the pack. endings: keys of MAKERS. paper: of the PDF, one of PAPERS.
        progress: called with figures drawn, figures in all, and the title of the next one.
    """
    pictures = pictures_of(contents, progress) if set(endings) - {".xlsx"} else {}
    return {ending: MAKERS[ending][1](contents, pictures, paper) for ending in endings}


def write(file: Path, raw: bytes) -> None:
    """Write a file whole, or leave what is there.

    Raises:
        AssessmentError: the folder cannot be written to.
    """
    beside = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        beside.write_bytes(raw)
        beside.replace(file)
    except OSError as error:
        raise AssessmentError(
            f"{file} cannot be written ({error.strerror}): name another folder."
        ) from None
    finally:
        beside.unlink(missing_ok=True)


def name_of(contents: Contents, ending: str) -> str:
    """A name for the file: "review-2026-W12.pdf"."""
    short = "-summary" if contents.audience == "summary" else ""
    return f"review-{contents.period_key.replace('..', '-to-')}{short}{ending}"
