"""What the commands share: exit codes and options."""

from typing import Annotated

import typer

DONE, NEEDS_A_PERSON, COULD_NOT = 0, 1, 2

StoreOption = Annotated[
    str | None,
    typer.Option("--store", help="Store URL or SQLite path. [default: VISCOSITY_SPC_STORE]"),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")]
ByOption = Annotated[
    str | None, typer.Option("--by", help="Who decides. [default: the login name]")
]
WhyOption = Annotated[str, typer.Option("--why", help="The reason, for the journal.")]
