"""Commands for databases as sources, pull and sources, and watching at an interval."""

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.cli_options import (
    COULD_NOT,
    DONE,
    NEEDS_A_PERSON,
    JsonOption,
    Stopped,
    StoreOption,
    WatchOption,
)

if TYPE_CHECKING:
    import ingest

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", help="File that describes the sources. [default: sources.toml]"),
]


def pull(
    source: Annotated[str, typer.Argument(help="Name of the source.")],
    store: StoreOption = None,
    config: ConfigOption = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Compare all rows, not only the newest.")
    ] = False,
    watch: WatchOption = None,
    as_json: JsonOption = False,
) -> None:
    """Bring new and changed rows of a database into the store."""
    import ingest

    # looked up first: a slip in the name makes no store
    described = ingest.find_source(
        ingest.sources_file(store or ingest.default_url(), config), source
    )
    opened = ingest.open_store(store)
    if watch is None:
        report = _pull_once(opened, described, everything)
        typer.echo(_shown(report, as_json, indent=1))
        raise typer.Exit(exit_code(report))
    _every(watch, lambda first: _look(opened, described, everything and first, first, as_json))


def sources(
    store: StoreOption = None, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """List the sources that are described, and when each was pulled last."""
    import ingest
    from dashboard.sources import source_rows

    opened = ingest.open_store(store)
    file = ingest.sources_file(opened.url, config)
    rows = source_rows(opened, file)
    if as_json:
        typer.echo(json.dumps([row.as_dict() for row in rows], ensure_ascii=False, indent=1))
        return
    for row in rows:
        typer.echo(f"{row.name}: {row.address}")
        typer.echo(f"  {row.sentence}")
    if not rows:
        typer.echo(f"No source is described. Describe one in {file}.")


def _pull_once(
    store: "ingest.Store", source: "ingest.SourceDescription", everything: bool
) -> "ingest.PullReport":
    import ingest

    try:
        return ingest.pull(store, source, everything=everything, progress=_progress(source.name))
    except Stopped:
        typer.echo(
            f"Stopped: what was pulled of {source.name} up to the last whole block is stored; "
            "the next pull goes on from there.",
            err=True,
        )
        raise typer.Exit(COULD_NOT) from None


def _look(
    store: "ingest.Store",
    source: "ingest.SourceDescription",
    everything: bool,
    first: bool,
    as_json: bool,
) -> None:
    """One pull of a watch: said if it is the first, brought something, or failed."""
    import ingest

    try:
        report = ingest.pull(store, source, everything=everything, progress=None)
    except ingest.IngestError as error:
        if first and not isinstance(error, ingest.SourceError):
            raise  # a description that does not fit will not fit later
        told = {"source": source.name, "error": str(error)}
        typer.echo(json.dumps(told, ensure_ascii=False) if as_json else _stamped(str(error)))
        return
    if first or report.imports or report.gone or report.back:
        text = _shown(report, as_json, indent=None)
        typer.echo(text if as_json else _stamped(text))


def _stamped(text: str) -> str:
    return f"{time.strftime('%Y-%m-%d %H:%M:%S')}  {text}"


def _every(seconds: float, look: Callable[[bool], None]) -> None:
    """Look again and again until somebody ends it; between two looks lie so many seconds."""
    first = True
    try:
        while True:
            look(first)
            sys.stdout.flush()
            first = False
            time.sleep(seconds)
    except Stopped:  # the way in which a watch is meant to end
        typer.echo("Stopped watching.", err=True)
        raise typer.Exit(DONE) from None


def _progress(name: str) -> Callable[[int], None] | None:
    """A line on the terminal that counts the rows; nothing elsewhere."""
    if not sys.stderr.isatty():
        return None

    def show(rows: int) -> None:
        print(f"\r{name}: {rows} rows", end="", file=sys.stderr, flush=True)  # noqa: T201

    return show


def _shown(report: "ingest.PullReport", as_json: bool, indent: int | None) -> str:
    if as_json:
        return json.dumps(report.as_dict(), ensure_ascii=False, indent=indent)
    if sys.stderr.isatty():
        print(file=sys.stderr)  # noqa: T201 - below the line that counted
    from dashboard.sources import report_text

    return report_text(report)


def exit_code(report: "ingest.PullReport") -> int:
    """0, or 1 where a person has to look at something."""
    from ingest.reasons import NEEDS_A_PERSON as OPEN_REASONS

    account = report.account
    waiting = OPEN_REASONS & (account.set_aside.keys() | account.not_parsed.keys())
    return NEEDS_A_PERSON if waiting or account.conflicts or report.gone else DONE


def watch_folder(
    store: "ingest.Store",
    folders: list[Path],
    seconds: float,
    bring_in: Callable[[Path], list[tuple[dict[str, Any], int]]],
    show: Callable[[dict[str, Any]], str],
) -> None:
    """Import files that appear in folders, or change, until somebody ends it.

    Args:
        store: files that it holds already are passed over. folders: to be looked at.
        seconds: between two looks.
        bring_in: imports one file, or each of an archive. show: what to print of its outcome.
    """
    from dashboard.folders import FolderWatch, is_held
    from ingest import IngestError

    watched = FolderWatch(folders)
    told: set[str] = set()

    def look(_first: bool) -> None:
        try:
            ready = watched.ready()
        except IngestError as error:
            if str(error) not in told:
                typer.echo(str(error), err=True)
            told.add(str(error))
            return
        told.clear()
        for file in ready:
            if is_held(store, file):
                continue
            for outcome, _ in bring_in(file):
                typer.echo(show(outcome))

    _every(seconds, look)


COMMANDS = (pull, sources)
