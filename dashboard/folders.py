"""Which files of a folder are ready to be imported: new or changed, and written to the end."""

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import ingest

_UNFINISHED = (".tmp", ".part", ".partial", ".crdownload", ".swp", ".lock")


@dataclass(slots=True)
class FolderWatch:
    """Folders under watch, and what was seen of them.

    Attributes:
        folders: the folders. looked: path -> (size, time of change) at the last look.
        done: path -> the same, when it was given out.
    """

    folders: list[Path]
    looked: dict[Path, tuple[int, int]] = field(default_factory=dict)
    done: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse what is no folder."""
        for folder in self.folders:
            if not folder.is_dir():
                raise ingest.IngestError(f"{folder} is no folder: --watch looks at folders.")

    def ready(self) -> list[Path]:
        """Files that are new or changed and were the same at the look before, by name.

        A file that somebody is just writing changes from one look to the next; it is left for a
        later one. Hidden and unfinished files are passed over.

        Raises:
            IngestError: a folder cannot be read at present.
        """
        seen: dict[Path, tuple[int, int]] = {}
        for folder in self.folders:
            for path in _listed(folder):
                hidden = path.name.startswith((".", "~"))
                if hidden or path.suffix.lower() in _UNFINISHED or not path.is_file():
                    continue
                try:
                    state = path.stat()
                except OSError:  # it was moved away meanwhile
                    continue
                seen[path] = (state.st_size, state.st_mtime_ns)
        settled = [path for path, state in seen.items() if self.looked.get(path) == state]
        self.looked = seen
        found = sorted(path for path in settled if self.done.get(path) != seen[path])
        self.done |= {path: seen[path] for path in found}
        return found


def _listed(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError as error:
        raise ingest.IngestError(
            f"{folder} cannot be read at present ({error.strerror}): it is looked at again."
        ) from None


def is_held(store: ingest.Store, file: Path) -> bool:
    """Whether a file was imported as it is, and that import was not undone."""
    try:
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError:
        return False  # importing it will say why
    imports = store.imports()
    return bool((~imports["undone"].astype(bool) & (imports["digest"] == digest)).any())
