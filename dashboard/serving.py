"""Starting the dashboard's server, and the demo store that it can be started on."""

import csv
import importlib.resources
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import ingest
from dashboard.results import AssessmentError

FIRST_PORT = 8501
AS_OF_VARIABLE = "VISCOSITY_SPC_AS_OF"
STORE_VARIABLE = "VISCOSITY_SPC_STORE"
DEMO_SOURCE = "demo plant"


def serve(url: str, port: int | None, open_browser: bool, as_of: datetime | None = None) -> int:
    """Run the dashboard on a store until it is stopped; returns the server's exit code.

    Args:
        url: the store. port: on 127.0.0.1; None for the first free one from 8501.
        open_browser: show it in the browser once it answers.
        as_of: the time that freshness is judged by; None for the current time.

    Raises:
        AssessmentError: the port is taken.
    """
    chosen = _free_port(port)
    environment = os.environ | {STORE_VARIABLE: url}
    if as_of is not None:
        environment[AS_OF_VARIABLE] = as_of.isoformat()
    address = f"http://127.0.0.1:{chosen}"
    print(f"The dashboard is at {address} (Ctrl-C ends it).", flush=True)  # noqa: T201
    command = [sys.executable, "-m", "dashboard.server"]
    command += ["--server.port", str(chosen), "--server.address", "127.0.0.1"]
    command += ["--logger.level", "warning"]
    server = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)  # noqa: S603
    if open_browser:
        threading.Thread(target=_open_when_up, args=(chosen, address), daemon=True).start()
    try:
        return server.wait()
    finally:  # Ctrl-C, or whatever else ends us, ends the server too
        _end(server)


def _end(server: subprocess.Popen[bytes]) -> None:
    """End the server; on a busy machine it may take longer to say goodbye than we wait."""
    if server.poll() is not None:
        return
    server.terminate()
    try:
        server.wait(timeout=10)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


def _free_port(port: int | None) -> int:
    for candidate in [port] if port is not None else range(FIRST_PORT, FIRST_PORT + 50):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", candidate))
            except OSError:
                continue
            return int(candidate)
    raise AssessmentError(f"Port {port or FIRST_PORT} is in use: choose another with --port.")


def _open_when_up(port: int, address: str) -> None:
    for _ in range(100):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                webbrowser.open(address)
                return
        time.sleep(0.2)


@contextmanager
def demo_store() -> Iterator[tuple[str, datetime]]:
    """A store of the invented plant in a temporary folder, gone afterwards: (URL, as of when)."""
    with TemporaryDirectory(prefix="viscosity-spc-demo-") as folder:
        yield build_demo_store(Path(folder) / "demo.sqlite")


def build_demo_store(path: Path) -> tuple[str, datetime]:
    """Import the sample data into a new store, as a user would.

    The laboratory's database is put beside it with its description, to be pulled by whoever likes.

    Returns:
        the store's URL, and the time of its last reading, by which freshness is judged.
    """
    store = ingest.open_store(str(path))
    for _ in import_demo(store):
        pass
    with importlib.resources.as_file(importlib.resources.files("sample_data")) as folder:
        for name in ("lab.sqlite", ingest.SOURCES_FILE):
            shutil.copyfile(folder / name, path.parent / name)
    last = store.readings()["at"].max().to_pydatetime()
    url = store.url
    store.close()
    return url, last


def import_demo(store: ingest.Store) -> Iterator[tuple[int, int, str]]:
    """Import the sample data as a user would: yields files done, files in all, and the name."""
    with importlib.resources.as_file(importlib.resources.files("sample_data")) as folder:
        files = sorted(folder.glob("*_*.csv"))
        for done, file in enumerate(files, 1):
            reading = ingest.read_file(file, {"time_zone": "Europe/Berlin"})
            store.add(reading, source=DEMO_SOURCE)
            yield done, len(files), file.name
        with (folder / "specifications.csv").open(newline="", encoding="utf-8") as lines:
            for row in csv.DictReader(lines):
                store.add_specification(
                    row["product"],
                    lower=float(row["lower"]) if row["lower"] else None,
                    upper=float(row["upper"]) if row["upper"] else None,
                    target=float(row["target"]) if row["target"] else None,
                    valid_from=date.fromisoformat(row["valid_from"]) if row["valid_from"] else None,
                    unit=row["unit"],
                )
