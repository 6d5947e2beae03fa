"""Compressed text: gzip, bzip2, xz and ZIP. Nothing is ever written under a name from inside."""

import bz2
import gzip
import lzma
import os
import zipfile
import zlib
from collections.abc import Callable
from typing import IO, Any

from ingest.answers import Question, Understood
from ingest.errors import IngestError
from ingest.unfolded import ENDINGS, TextFile, Unfolded

_BLOCK = 1024 * 1024
_MOST_MEMBERS = 500
_WORDS = "damaged or cut short: export or copy it again."
_BROKEN = (OSError, EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, ValueError)
_NOT_READINGS = (".pdf", ".png", ".jpg", ".jpeg", ".gif", ".docx", ".exe", ".html", ".xml", ".md")

STREAMS: dict[bytes, tuple[str, Callable[[IO[bytes]], Any]]] = {
    b"\x1f\x8b": ("gzip", lambda file: gzip.GzipFile(fileobj=file)),
    b"BZh": ("bzip2", bz2.BZ2File),
    b"\xfd7zXZ": ("xz", lzma.LZMAFile),
}
"""First bytes of a compressed stream -> its name and how it is opened."""


def open_stream(file: IO[bytes], name: str, head: bytes) -> Unfolded:
    """The content of a file compressed as one stream."""
    kind, opener = next(STREAMS[magic] for magic in STREAMS if head.startswith(magic))
    with opener(file) as packed:
        text = _copied(packed, name, _size(file))
    about = Understood("file", f"compressed by {kind}", "by its first bytes")
    return Unfolded(text, name, about=(about,))


def open_zip(file: IO[bytes], name: str, chosen: str) -> Unfolded:
    """The content of the one file in a ZIP archive that can hold readings, or of the chosen one.

    Raises:
        IngestError: damaged, protected by a password, nothing to read in it, or far too much.
    """
    size = _size(file)
    try:
        archive = zipfile.ZipFile(file)
        members = [info for info in archive.infolist() if _may_hold_readings(info)]
    except _BROKEN:
        raise IngestError(f"{name} is a ZIP archive that is {_WORDS}") from None
    named = [info for info in members if info.filename.lower().endswith(ENDINGS)]
    members = named or members
    if not members:
        raise IngestError(f"{name} is a ZIP archive without a file of readings in it.")
    if len(members) > _MOST_MEMBERS:
        raise IngestError(
            f"{name} holds {len(members)} files: unpack it and import the folder with them."
        )
    names = [info.filename for info in members]
    if len(set(names)) < len(names):
        raise IngestError(f"{name} holds two files of one name: unpack it and import them.")
    if chosen and chosen not in names and len(names) > 1:
        raise IngestError(
            f"{name} holds no file '{chosen}': it holds {', '.join(map(repr, names[:8]))}."
        )
    if len(members) > 1 and not chosen:
        asked = Question("member", f"{name} holds {len(members)} files: which one?", tuple(names))
        return Unfolded(file, name, questions=(asked,))
    info = members[names.index(chosen)] if chosen in names else members[0]
    if info.flag_bits & 1:
        raise IngestError(f"{name} is protected by a password: unpack it and import the file.")
    try:
        with archive.open(info) as packed:
            text = _copied(packed, name, size)
    except (NotImplementedError, RuntimeError):
        raise IngestError(
            f"{name} is compressed in a way that is not read: unpack it and import the file."
        ) from None
    except _BROKEN as error:
        if isinstance(error, IngestError):
            raise
        raise IngestError(f"{name} is a ZIP archive that is {_WORDS}") from None
    why = "the only file in it that can hold readings" if len(members) == 1 else "as answered"
    about = Understood("file", f"'{info.filename}' in a ZIP archive", why)
    several = len(members) > 1
    part = info.filename if several else ""
    return Unfolded(text, f"{name}: {part}" if several else name, part, (about,))


def _may_hold_readings(info: zipfile.ZipInfo) -> bool:
    parts = info.filename.replace("\\", "/").split("/")
    hidden = parts[-1].startswith(".") or "__MACOSX" in parts
    other = info.filename.lower().endswith(_NOT_READINGS)
    return not info.is_dir() and not hidden and not other and info.file_size > 0


def _copied(packed: IO[bytes], name: str, size: int) -> IO[bytes]:
    text = TextFile(name, size)
    try:
        while block := packed.read(_BLOCK):
            text.write(block)
    except IngestError:
        raise
    except _BROKEN:
        text.file.close()
        raise IngestError(f"{name} is {_WORDS}") from None
    return text.done()


def _size(file: IO[bytes]) -> int:
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    return size
