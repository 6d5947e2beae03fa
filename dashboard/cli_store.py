"""Commands that look after the store: verify, rebuild, undo, backup, restore, export."""

import json
from pathlib import Path
from typing import Annotated

import typer

from dashboard.cli_options import (
    DONE,
    NEEDS_A_PERSON,
    ByOption,
    JsonOption,
    StoreOption,
    WhyOption,
    printable,
)


def verify(
    file: Annotated[
        Path | None, typer.Argument(help="A review pack. [default: check the store]")
    ] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check the store (journal, batches, accounts), or whether a review pack is as it was made."""
    if file is not None:
        _verify_pack(file, as_json)
    import ingest

    found = ingest.verify(ingest.open_store(store, create=False))
    if as_json:
        typer.echo(json.dumps({"whole": not found, "found": found}, ensure_ascii=False, indent=1))
    elif found:
        typer.echo("\n".join(found))
    else:
        typer.echo("The journal is whole, every batch equals its readings, every account closes.")
    raise typer.Exit(NEEDS_A_PERSON if found else DONE)


def _verify_pack(file: Path, as_json: bool) -> None:
    from dashboard.review import seal

    checked = seal.check(file)
    if as_json:
        told = {"whole": checked.whole, "found": [] if checked.whole else [checked.words]}
        typer.echo(json.dumps(told, ensure_ascii=False, indent=1))
    else:
        typer.echo(printable(checked.words))
    raise typer.Exit(DONE if checked.whole else NEEDS_A_PERSON)


def rebuild(store: StoreOption = None, as_json: JsonOption = False) -> None:
    """Make the batch table again from the readings and prove that both are equal."""
    import ingest

    wrong = ingest.rebuild(ingest.open_store(store, create=False))
    if as_json:
        typer.echo(json.dumps({"changed": wrong, "equal": True}))
    else:
        told = "1 batch was wrong and is" if wrong == 1 else f"{wrong} batches were wrong and are"
        typer.echo(
            f"{told} put right: the batch table equals the readings."
            if wrong
            else "The batch table equals the readings."
        )


def undo(
    import_id: Annotated[int, typer.Argument(help="Number of the import.")],
    why: WhyOption = "",
    by: ByOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a whole import back: nothing is deleted, its results no longer count."""
    import ingest

    report = ingest.undo_import(ingest.open_store(store, create=False), import_id, why, by)
    accounts = {number: account.as_dict() for number, account in report.accounts.items()}
    if as_json:
        told = {
            "import": report.import_id,
            "file": report.file,
            "undone": report.n_results,
            "counted_again": report.counted_again,
            "accounts": accounts,
        }
        typer.echo(json.dumps(told, ensure_ascii=False, indent=1))
        return
    typer.echo(
        f"Import {report.import_id} of {report.file} is undone: "
        f"{report.n_results} results no longer count, all are kept."
    )
    for number, rows in report.counted_again.items():
        typer.echo(f"  {rows} of them count by import {number}, which recorded them too.")


def backup(
    file: Annotated[Path, typer.Argument(help="A new file.")], store: StoreOption = None
) -> None:
    """Copy the whole store into a new file, while others go on working with it."""
    import ingest

    ingest.backup(ingest.open_store(store, create=False), file)
    typer.echo(f"The store is copied to {file}.")


def restore(
    file: Annotated[Path, typer.Argument(help="A backup.")], store: StoreOption = None
) -> None:
    """Make a store out of a backup; a store that holds data is never overwritten."""
    import ingest

    restored = ingest.restore(file, store)
    typer.echo(f"{file} is checked and restored to {restored.url}.")
    restored.close()


def export(
    what: Annotated[
        str,
        typer.Argument(help="readings, set-aside, not-parsed, batches, imports or journal."),
    ],
    file: Annotated[Path, typer.Argument(help="A file ending in .csv, .xlsx or .parquet.")],
    store: StoreOption = None,
) -> None:
    """Write a table of the store to a file that other programs read."""
    import ingest

    rows = ingest.export(ingest.open_store(store, create=False), what, file)
    typer.echo(f"{rows} rows are written to {file}.")


COMMANDS = (verify, rebuild, undo, backup, restore, export)
