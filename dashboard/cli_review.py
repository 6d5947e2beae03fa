"""The command that makes the pack for the review meeting."""

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.cli_options import DONE, NEEDS_A_PERSON, StoreOption, printable

if TYPE_CHECKING:
    from dashboard.review.period import Period

_DAY = ["%Y-%m-%d"]


def review(
    output: Annotated[
        list[Path],
        typer.Option("--output", "-o", help="A file ending in .html, .pdf or .xlsx; or several."),
    ],
    week: Annotated[str, typer.Option(help="ISO week, such as 2026-W12.")] = "",
    month: Annotated[str, typer.Option(help="Month, such as 2026-03.")] = "",
    quarter: Annotated[str, typer.Option(help="Quarter, such as 2026-Q1.")] = "",
    from_: Annotated[
        datetime | None, typer.Option("--from", formats=_DAY, help="First day of your own period.")
    ] = None,
    to: Annotated[
        datetime | None, typer.Option("--to", formats=_DAY, help="Last day of it, included.")
    ] = None,
    product: Annotated[
        list[str] | None, typer.Option(help="A product; may be repeated. [default: all]")
    ] = None,
    audience: Annotated[str, typer.Option(help="full, or summary for one page.")] = "full",
    rules: Annotated[
        str, typer.Option(help="three-sigma-ewma, three-sigma or four-zone.")
    ] = "three-sigma-ewma",
    time_zone: Annotated[
        str | None,
        typer.Option(help="Time zone of the period's borders. [default: the site's, else UTC]"),
    ] = None,
    paper: Annotated[str, typer.Option(help="Paper of the PDF: a4 or letter.")] = "a4",
    store: StoreOption = None,
) -> None:
    """Make the pack for the review of a week, month, quarter or days of your own.

    The data count that were sampled before the end of the period. The same data and settings give
    the same bytes; `viscosity-spc verify FILE` says whether a pack is as it was made.
    """
    import ingest
    from dashboard.results import AssessmentError
    from dashboard.review import making
    from dashboard.review.contents import contents_of
    from dashboard.review.period import REPORTING_ZONE

    endings = [making.ending_of(file) for file in output]
    if paper.lower() not in making.PAPERS:
        raise AssessmentError(f"--paper must be one of {', '.join(making.PAPERS)}, got {paper!r}.")
    opened = ingest.open_store(store, create=False)
    zone = time_zone or str(ingest.settings(opened).get(REPORTING_ZONE) or "UTC")
    period = _period(week, month, quarter, from_, to, zone)
    contents = contents_of(opened, period, product or (), audience, rules, _line("working out"))
    files = making.made(contents, endings, paper.lower(), _line("drawing"))
    for file, ending in zip(output, endings, strict=True):
        making.write(file, files[ending])
        typer.echo(f"{printable(str(file))}: {contents.period}, {contents.headline}.")
    typer.echo(contents.caution)
    raise typer.Exit(NEEDS_A_PERSON if contents.needs_a_person else DONE)


def _period(
    week: str, month: str, quarter: str, first: datetime | None, last: datetime | None, zone: str
) -> "Period":
    from dashboard.results import AssessmentError
    from dashboard.review.period import ACCEPTED, days_of, known_zone, parse

    named = [
        (kind, said) for kind, said in zip(_NAMED, (week, month, quarter), strict=True) if said
    ]
    own = first is not None or last is not None
    if len(named) + own != 1:
        raise AssessmentError(
            "Name one period: --week 2026-W12, --month 2026-03, --quarter 2026-Q1, or --from and "
            "--to with days."
        )
    if own:
        if first is None or last is None:
            raise AssessmentError("A period of your own needs both ends: --from and --to.")
        return days_of(first.date(), last.date(), known_zone(zone))
    kind, said = named[0]
    found = parse(said, zone)
    if found.kind != kind:
        raise AssessmentError(f"--{kind} {said} is a {found.kind}: write {ACCEPTED}.")
    return found


_NAMED = ("week", "month", "quarter")


def _line(what: str) -> Any:
    """A line on the terminal that says what is done; nothing elsewhere."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, of: int, name: str) -> None:
        end = "\n" if done == of else ""
        words = printable(f"{what} {done} of {of}: {name}")[:76]
        print(f"\r{words:<76}", end=end, file=sys.stderr, flush=True)  # noqa: T201

    return show


COMMANDS = (review,)
