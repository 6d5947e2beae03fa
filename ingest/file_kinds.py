"""Which kind of file this is, by its first bytes, and its text.

One more kind is one more module that ends in `Unfolded`, and a line in `unfold`.
"""

from collections.abc import Mapping
from typing import IO

from ingest.compressed_file import STREAMS, open_stream, open_zip
from ingest.errors import IngestError
from ingest.excel_file import is_workbook, open_workbook
from ingest.parquet_file import open_parquet
from ingest.unfolded import Unfolded

_REFUSED = {
    b"\xd0\xcf\x11\xe0": (
        "is a workbook of the old kind (.xls) or one with a password: open it in a spreadsheet and "
        "save it as .xlsx without a password."
    ),
    b"7z\xbc\xaf": "is a 7-Zip archive: unpack it and import the files in it.",
    b"Rar!": "is a RAR archive: unpack it and import the files in it.",
    b"\x28\xb5\x2f\xfd": "is compressed by Zstandard: unpack it and import the file in it.",
}
_MARKUP = (b"<html", b"<!doctype", b"<table", b"<?xml", b"<workbook", b"<style", b"<meta")


def unfold(file: IO[bytes], name: str, answers: Mapping[str, str], depth: int = 0) -> Unfolded:
    """The text of a file of any kind; a file of text is given back as it is.

    Args:
        file: open for reading and seeking, at its beginning. name: for messages.
        answers: what a person said; `sheet` and `member` choose among several.
        depth: how many archives it was in.

    Raises:
        IngestError: damaged, protected by a password, or of a kind that is not read.
    """
    head = file.read(512)
    file.seek(0)
    for magic, told in _REFUSED.items():
        if head.startswith(magic):
            raise IngestError(f"{name} {told}")
    if head[257:262] == b"ustar":
        raise IngestError(f"{name} is a tar archive: unpack it and import the files in it.")
    if head.removeprefix(b"\xef\xbb\xbf").lstrip()[:20].lower().startswith(_MARKUP):
        raise IngestError(
            f"{name} is a web page or XML, whatever its name says: open it in a spreadsheet and "
            "save it as .xlsx or CSV."
        )
    if head.startswith(b"PAR1"):
        return open_parquet(file, name)
    if head.startswith(b"PK\x03\x04") and is_workbook(file, name):
        return open_workbook(file, name, answers.get("sheet", ""))
    packed = head.startswith((*STREAMS, b"PK\x03\x04", b"PK\x05\x06"))
    if not packed:
        return Unfolded(file, name)
    if depth:
        raise IngestError(
            f"{name} is an archive inside an archive: unpack it and import the files in it."
        )
    if head.startswith(b"PK"):
        outer = open_zip(file, name, answers.get("member", ""))
    else:
        outer = open_stream(file, name, head)
    if outer.questions:
        return outer
    try:
        inner = unfold(outer.text, outer.name, answers, depth + 1)
    except BaseException:
        outer.text.close()
        raise
    if inner.text is not outer.text:
        outer.text.close()
    part = ": ".join(part for part in (outer.part, inner.part) if part)
    about = outer.about + inner.about
    return Unfolded(inner.text, inner.name, part, about, inner.questions, inner.ours)
