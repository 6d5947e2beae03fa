"""A text file in blocks of whole lines: its encoding decided by all of it, its size no matter.

A file is walked through more than once and never held: blocks come as UTF-8 with line feeds only.
"""

import codecs
import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from ingest.errors import IngestError

BLOCK_BYTES = 6_000_000
_HEAD_BYTES = 20_000
_PICTURES_AND_ARCHIVES = {
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"GIF8": "a GIF picture",
    b"PK\x03\x04": "a ZIP archive or an Excel workbook",
    b"\xd0\xcf\x11\xe0": "an old Excel workbook",
    b"%PDF": "a PDF document",
    b"\x1f\x8b": "a gzip archive",
    b"SQLite format 3": "a SQLite database",
}
_NOT_IN_LATIN = bytes(range(0x80, 0xA0))  # control characters there: nobody's text
_NOT_IN_CP1252 = frozenset(b"\x81\x8d\x8f\x90\x9d")
_EVERY_OTHER_BYTE = bytes({*range(0x80), *range(0xA0, 0x100)})
_END_MARK = b"\x1a"  # of very old systems

Progress = Callable[[int, int], None]
"""Called with the bytes done and the bytes in all."""


@dataclass(frozen=True, slots=True, eq=False)
class TextFile:
    """A text file that was looked at from end to end.

    Attributes:
        file: where its bytes are read from. skip: bytes of a byte order mark before the text.
        codec: what Python calls its encoding; encoding: what people call it, and why it is that.
        digest: SHA-256 of its bytes. size: their number. state: whether it is still the same.
        name: for messages.
    """

    file: BinaryIO
    skip: int
    codec: str
    encoding: str
    why: str
    digest: str
    size: int
    state: tuple[int, ...]
    name: str

    def blocks(self, progress: Progress | None = None) -> Iterator[bytes]:
        """The text as UTF-8 in blocks of whole lines; the last one ends with a line feed too.

        Raises:
            IngestError: the file is not any more what it was when it was looked at.
        """
        yield from _checked(self, _whole_lines(_decoded(self, progress)))


def look_at(file: BinaryIO, name: str) -> TextFile:
    """Find out how a file is encoded: by byte order mark, NUL pattern, then strict UTF-8.

    Args:
        file: opened for reading bytes; it can be read again from its beginning.
        name: its name, for messages.

    Raises:
        IngestError: empty file, a picture or an archive, binary content, or text that was
            already decoded wrongly before it was saved.
    """
    state = _state(file)
    start = _read(file, 0, 2_003)
    for magic, kind in _PICTURES_AND_ARCHIVES.items():
        if start.startswith(magic):
            raise IngestError(
                f"{name} is {kind}, not a text file: export the readings as CSV and import that."
            )
    mark = start.startswith(b"\xef\xbb\xbf")
    skip = 3 if mark else 0
    wide = _wide(start[skip : skip + 2_000])
    seen = _walk(file, name, wide[0] if wide else "utf-8", skip)
    if wide:
        codec, why = wide
        encoding = "UTF-16"
    elif seen.decodes:
        codec, encoding = "utf-8", "UTF-8"
        why = "byte order mark" if mark else "all of it is valid UTF-8"
    elif not seen.controls:
        codec, encoding, why = "latin-1", "Latin-1", "not UTF-8, and no byte from 80 to 9F"
    elif not seen.controls & _NOT_IN_CP1252:
        codec, encoding, why = "cp1252", "CP1252", "not UTF-8, and bytes from 80 to 9F occur"
    else:
        codec, encoding = "latin-1", "Latin-1"
        why = "not UTF-8, and bytes that CP1252 lacks occur"
    text = TextFile(file, skip, codec, encoding, why, seen.digest, seen.size, state, name)
    _refuse_other_than_text(text, seen.nuls)
    return text


@dataclass(frozen=True, slots=True)
class _Seen:
    digest: str
    size: int
    nuls: int
    decodes: bool
    controls: frozenset[int]  # bytes from 80 to 9F


def _read(file: BinaryIO, start: int, count: int) -> bytes:
    file.seek(start)
    return file.read(count)


def _wide(start: bytes) -> tuple[str, str] | None:
    """The UTF-16 codec that a file begins in, and why; None if it is in no such encoding."""
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", "byte order mark"
    if start[1::2].count(0) > len(start) // 4:
        return "utf-16-le", "every second byte is zero"
    if start[0::2].count(0) > len(start) // 4:
        return "utf-16-be", "every second byte is zero"
    return None


def _walk(file: BinaryIO, name: str, codec: str, skip: int) -> _Seen:
    """Read all bytes once: their digest, and whether they are text in a codec.

    Raises:
        IngestError: nothing but blanks, or wide text that is damaged further on.
    """
    digest, decoder = hashlib.sha256(), codecs.getincrementaldecoder(codec)()
    size = nuls = 0
    filled, decodes = False, True
    controls: frozenset[int] = frozenset()
    file.seek(0)
    while True:
        raw = file.read(BLOCK_BYTES)
        digest.update(raw)
        filled = filled or bool(raw.strip())
        nuls += raw.count(0)
        if decodes:
            try:
                decoder.decode(raw[max(skip - size, 0) :], final=not raw)
            except UnicodeDecodeError:
                decodes = False
        if not raw.isascii():
            controls |= frozenset(raw.translate(None, _EVERY_OTHER_BYTE))
        size += len(raw)
        if not raw:
            break
    if not filled:
        raise IngestError(f"{name} is empty: there are no rows in it. Export it again.")
    if not decodes and codec != "utf-8":
        raise IngestError(
            f"{name} begins as {codec.upper()} text but is damaged further on: export it again."
        )
    return _Seen(digest.hexdigest(), size, nuls, decodes, controls)


def _refuse_other_than_text(text: TextFile, nuls: int) -> None:
    """See that a file is text, and was not decoded wrongly before it was saved."""
    head = b""
    for block in text.blocks():
        head += block
        if len(head) >= _HEAD_BYTES:
            break
    start = head[:_HEAD_BYTES].decode("utf-8", "replace")
    if any(letter in start for letter in ("Ã¤", "Ã¶", "Ã¼", "Â·", "Â°")):
        raise IngestError(
            f"{text.name} holds letters that were saved in the wrong encoding (such as 'Ã¤' for "
            "'ä'): export it again as UTF-8."
        )
    if not nuls:
        return
    zeros = length = 0
    for block in text.blocks():
        zeros, length = zeros + block.count(0), length + len(block)
    if zeros > length // 100:
        raise IngestError(f"{text.name} is not a text file: export the readings as CSV.")


def _decoded(text: TextFile, progress: Progress | None) -> Iterator[bytes]:
    """The text as UTF-8 pieces, cut anywhere but inside a character or a pair of line ends."""
    decoder = codecs.getincrementaldecoder(text.codec)()
    place, waiting = text.skip, b""
    while True:
        raw = _read(text.file, place, BLOCK_BYTES)
        place += len(raw)
        piece = raw if text.codec == "utf-8" else decoder.decode(raw, final=not raw).encode()
        piece = waiting + piece
        waiting = b""
        if raw and piece.endswith(b"\r"):  # a line feed may follow
            piece, waiting = piece[:-1], b"\r"
        if b"\r" in piece:
            piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        yield piece
        if progress is not None:
            progress(place, text.size)
        if not raw:
            return


def _whole_lines(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Pieces cut at the ends of lines, without end marks behind the last one."""
    carried: list[bytes] = []
    told = False
    for piece in pieces:
        cut = piece.rfind(b"\n") + 1
        if not cut:
            carried.append(piece)
            continue
        yield b"".join((*carried, piece[:cut]))
        told, carried = True, [piece[cut:]]
    rest = b"".join(carried).rstrip(_END_MARK)
    if rest or not told:
        yield rest + b"\n"


def _checked(text: TextFile, blocks: Iterator[bytes]) -> Iterator[bytes]:
    """Blocks as they are; at their end the file must still be what it was when looked at."""
    yield from blocks
    if _state(text.file) != text.state:
        raise IngestError(
            f"{text.name} was changed while it was read, so nothing of it is imported: try again "
            "when nobody writes to it."
        )


def _state(file: BinaryIO) -> tuple[int, ...]:
    """Size and time of the last change of a file; only the size of bytes in memory."""
    try:
        known = os.fstat(file.fileno())
    except (OSError, AttributeError):
        return (file.seek(0, os.SEEK_END),)
    return known.st_size, known.st_mtime_ns
