"""Bytes put away for a while: in memory while they are few, else in a temporary file.

The file has no name where the system allows that: it is gone when this program is, however it
ends.
"""

import tempfile
import threading
import weakref
from typing import IO, cast


class Scratch:
    """A place to write pieces one behind the other and to read them, from any thread."""

    def __init__(self, in_memory: int) -> None:
        """Begin with nothing.

        Args:
            in_memory: bytes that are kept without a file.
        """
        file = tempfile.SpooledTemporaryFile(max_size=in_memory)  # noqa: SIM115 - closed below
        self._file = cast("IO[bytes]", file)
        self._lock = threading.Lock()
        self.size = 0
        weakref.finalize(self, file.close)

    def write(self, piece: bytes | memoryview) -> int:
        """Put a piece behind all others; the place where it begins."""
        with self._lock:
            place = self.size
            self._file.seek(place)
            self._file.write(piece)
            self.size += len(piece)
        return place

    def read(self, place: int, size: int) -> bytes:
        """So many bytes from a place on."""
        with self._lock:
            self._file.seek(place)
            return self._file.read(size)
