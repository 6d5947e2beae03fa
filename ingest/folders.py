"""The files of readings in folders and below them, in the order of their names."""

import os
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import IngestError
from ingest.unfolded import ENDINGS


@dataclass(frozen=True, slots=True)
class FoundFiles:
    """What folders hold.

    Attributes:
        files: to be read. refused: a sentence about each that will not be.
        others: how many files have an ending that files of readings do not have.
    """

    files: tuple[Path, ...]
    refused: tuple[tuple[Path, str], ...]
    others: int


def find_files(paths: Iterable[str | os.PathLike[str]]) -> FoundFiles:
    """The files named, and those in the folders named and below them; each file once.

    Links in a folder are not followed: they could lead anywhere, and round in circles.
    """
    files: dict[Path, None] = {}
    refused: list[tuple[Path, str]] = []
    others = 0
    for path in map(Path, paths):
        if not os.path.isdir(path):
            files.setdefault(path)
            continue
        found = 0
        for file, problem in _below(path):
            found += 1
            if problem:
                refused.append((file, problem))
            elif file.name.lower().endswith(ENDINGS):
                files.setdefault(file)
            else:
                others += 1
        if not found:
            refused.append((path, f"{path} is a folder with no file in it."))
    return FoundFiles(tuple(files), tuple(refused), others)


def _below(folder: Path) -> Iterable[tuple[Path, str]]:
    """Every file below a folder with the sentence why it is not read, or ""."""
    troubles: list[OSError] = []
    for place, folders, names in os.walk(folder, onerror=troubles.append):
        folders.sort()
        for name in sorted(folders):
            file = Path(place, name)
            if file.is_symlink():
                yield file, f"{file} is a link to another folder: name that folder itself."
            if name.startswith("."):
                folders.remove(name)
        for name in sorted(names):
            if name.startswith((".", "~$")):
                continue  # kept by the system or by an open spreadsheet, never an export
            file = Path(place, name)
            yield file, _problem(file)
        while troubles:
            trouble = troubles.pop()
            yield (
                Path(str(trouble.filename)),
                f"{trouble.filename} may not be read: ask for access.",
            )


def _problem(file: Path) -> str:
    if file.is_symlink():
        return f"{file} is a link to another place: name the file that it leads to."
    try:
        require_file(file)
    except IngestError as error:
        return str(error)
    return ""


def require_file(file: Path) -> None:
    """Refuse devices and pipes, which may never end.

    Raises:
        IngestError: it is neither a file nor a folder.
    """
    try:
        mode = file.stat().st_mode
    except (OSError, ValueError):
        return  # said where it is opened
    if not stat.S_ISREG(mode) and not stat.S_ISDIR(mode):
        raise IngestError(f"{file} is not a file but a device or a pipe: name a file of readings.")
