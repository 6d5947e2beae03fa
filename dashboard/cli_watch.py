"""The command watch: as a service, once for a scheduler, as a trial, or as a test message."""

import json
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.cli_options import (
    COULD_NOT,
    DONE,
    NEEDS_A_PERSON,
    JsonOption,
    Stopped,
    StoreOption,
    printable,
)

if TYPE_CHECKING:
    from dashboard.watch.service import Cycle, Running

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", help="File that describes the watch. [default: watch.toml]"),
]


def watch(
    store: StoreOption = None,
    config: ConfigOption = None,
    once: Annotated[
        bool, typer.Option("--once", help="Look once and end, for schedulers.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Print what would be sent; nothing is sent or kept.")
    ] = False,
    test: Annotated[bool, typer.Option("--test", help="Send everybody a test message.")] = False,
    status: Annotated[bool, typer.Option("--status", help="Print how the watch goes.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Watch: pull, assess, and tell people once of each thing that needs them; until Ctrl-C."""
    import ingest
    from dashboard.watch.description import load_watch, watch_file

    looks_only = dry_run or test or status
    opened = ingest.open_store(store, create=not looks_only)
    described = load_watch(watch_file(opened.url, config))
    if test:
        from dashboard.watch.trial import send_test

        raise typer.Exit(_tell_test(send_test(described)))
    from dashboard.watch.service import Running

    run = Running(opened, described, _log)
    if sys.stderr.isatty():
        run.show = _show
    if dry_run:
        _preview(run, as_json)
    elif status:
        _status(run, as_json)
    elif once:
        run.folders.once = True
        raise typer.Exit(_once(run, as_json))
    else:
        raise typer.Exit(serve(run))


def serve(run: "Running") -> int:
    """Look again and again until a signal ends it; no error of one look ends it."""
    import ingest
    from dashboard.watch import service

    stop = _until_signal()
    run.stopping = stop.is_set
    names = ", ".join(channel.name for channel in run.watch.channels)
    _log(f"Watching {run.store.url} every {run.watch.every.total_seconds():g} s, telling {names}.")
    while not stop.is_set():
        begun = time.monotonic()
        try:
            _log(_sentence(service.look(run)))
        except service.Ending:
            break
        except ingest.IngestError as error:
            _log(str(error))
        except Exception as error:  # noqa: BLE001 - a service that ends by a fault tells nobody
            _log(f"A fault of the program, {type(error).__name__}: {error}. The watch goes on.")
            run.ledger = type(run.ledger)()
        took = time.monotonic() - begun
        stop.wait(max(run.watch.every.total_seconds() - took, 0.0))
    service.stopped(run)
    _log("The watch has ended.")
    return DONE


def _until_signal() -> threading.Event:
    """An event that a signal to end sets: a step under way is finished; a second one cuts it."""
    stop = threading.Event()

    def end(_signal: int, _frame: FrameType | None) -> None:
        if stop.is_set():
            raise Stopped
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, end)
    return stop


def _once(run: "Running", as_json: bool) -> int:
    from dashboard.watch import service

    cycle = service.look(run)
    if as_json:
        told = {
            "waiting": cycle.waiting,
            "noticed": cycle.noticed,
            "sent": cycle.sent,
            "failed": list(cycle.failed),
        }
        typer.echo(json.dumps(told, ensure_ascii=False))
    else:
        typer.echo(_sentence(cycle))
    return NEEDS_A_PERSON if cycle.waiting or cycle.failed else DONE


def _preview(run: "Running", as_json: bool) -> None:
    from dashboard.text import moment
    from dashboard.watch import service

    found = service.preview(run)
    if as_json:
        rows = [
            {"target": target, "subject": words.subject, "text": words.text}
            for target, words, _ in found
        ]
        typer.echo(json.dumps(rows, ensure_ascii=False, indent=1))
        return
    for target, words, quiet in found:
        later = f", not before {moment(quiet)} UTC: these are quiet hours" if quiet else ""
        typer.echo(f"To {target}{later}\nSubject: {words.subject}\n\n{words.text}\n")
    if not found:
        typer.echo("Nothing would be sent now.")


def _status(run: "Running", as_json: bool) -> None:
    from dashboard.watch.status import read_status

    found = read_status(run.store, run.watch, run.clock())
    if as_json:
        typer.echo(json.dumps(found.as_dict(), ensure_ascii=False, indent=1))
        return
    for line in (found.sentence, *(target.sentence for target in found.targets)):
        typer.echo(line)


def _tell_test(found: list[tuple[str, str]]) -> int:
    for target, error in found:
        typer.echo(f"{target}: {error or 'the test message arrived.'}", err=bool(error))
    return COULD_NOT if any(error for _, error in found) else DONE


def _sentence(cycle: "Cycle") -> str:
    from dashboard import text

    said = f"Looked: {text.count(cycle.noticed, 'thing')} new, {cycle.waiting} waiting"
    said += f", {text.count(cycle.sent, 'message')} sent."
    return " ".join([said, *(f"{why.removesuffix('.')}." for why in cycle.failed)])


def _log(said: str) -> None:
    line = f"{time.strftime('%Y-%m-%d %H:%M:%S')}  {printable(said)}"
    print(line, file=sys.stderr, flush=True)  # noqa: T201


def _show(said: str) -> None:
    print(f"\r{said}", end="", file=sys.stderr, flush=True)  # noqa: T201


COMMANDS: tuple[Callable[..., None], ...] = (watch,)
