"""Folders that the watch imports from: new and changed files, each with what became of it."""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import ingest
from dashboard.folders import FolderWatch, is_held
from dashboard.watch.description import Folder

SETTLE = 2.0
"""Seconds that a file has to stay as it is before a single look takes it."""


@dataclass(slots=True)
class Folders:
    """What was seen of the folders so far; `once`: there will be no further look."""

    once: bool = False
    watched: dict[str, FolderWatch] = field(default_factory=dict)

    def bring_in(
        self,
        store: ingest.Store,
        folders: Sequence[Folder],
        say: Callable[[str], None],
        stopping: Callable[[], bool],
    ) -> tuple[dict[str, str], dict[str, str]]:
        """Import what is ready.

        Returns:
            folder -> why it could not be read, and file -> why it was not imported; "" where all
            went well.
        """
        unreadable: dict[str, str] = {}
        files: dict[str, str] = {}
        for folder in folders:
            name = f"folder {folder.name}"
            try:
                ready = self._ready(folder)
                unreadable[name] = ""
            except ingest.IngestError as error:
                unreadable[name] = str(error)
                continue
            for file in ready:
                if stopping():
                    break
                if is_held(store, file):
                    files[str(file)] = ""
                    continue
                why = _import(store, folder, file, say)
                files[str(file)] = why
        return unreadable, files

    def _ready(self, folder: Folder) -> list[Path]:
        if not folder.path.is_dir():
            self.watched.pop(folder.name, None)
            raise ingest.IngestError(
                f"There is no folder {folder.path} at present: see whether its drive is there."
            )
        if folder.name not in self.watched:
            self.watched[folder.name] = FolderWatch([folder.path])
            if self.once:
                self.watched[folder.name].ready()
                time.sleep(SETTLE)
        return self.watched[folder.name].ready()


def _import(store: ingest.Store, folder: Folder, file: Path, say: Callable[[str], None]) -> str:
    """Import a file, or each one of an archive; why it was not, "" where it was."""
    answers = dict(folder.answers)
    try:
        reading = ingest.read_file(file, answers, site=store.site(folder.name))
        asked = reading.questions
        if [one.field for one in asked] == ["member"]:
            several = [{**answers, "member": one} for one in asked[0].choices]
        else:
            several = [answers]
        for given in several:
            if len(several) > 1:
                reading = ingest.read_file(file, given, site=store.site(folder.name))
            if reading.questions:
                questions = " ".join(one.text for one in reading.questions)
                return f"{reading.name} was not imported: {questions}"
            account = store.add(reading, folder.name).account
            say(f"{reading.name}: {account.rows_read} rows read, {account.used} used.")
    except ingest.StoreError:
        raise
    except ingest.IngestError as error:
        return f"{file.name} was not imported: {error}"
    return ""
