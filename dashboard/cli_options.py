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
WatchOption = Annotated[
    float | None,
    typer.Option("--watch", min=0.1, help="Look again every so many seconds, until Ctrl-C."),
]


class Stopped(BaseException):
    """Ctrl-C or a request to end; typer would answer KeyboardInterrupt with a code of its own."""


def printable(name: str) -> str:
    """A file's name for a terminal: letters of control in it would be obeyed."""
    text = name.encode("utf-8", "replace").decode()
    return "".join(letter if letter.isprintable() else "?" for letter in text)
