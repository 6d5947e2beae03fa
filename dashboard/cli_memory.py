"""Commands about what the store knows of sources, products and methods: see it, change it."""

import json
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.cli_options import ByOption, JsonOption, StoreOption, WhyOption

if TYPE_CHECKING:
    import ingest

SourceOption = Annotated[
    str | None, typer.Option("--source", help="One source. [default: files without a source]")
]


def remembered(
    source: Annotated[str | None, typer.Option("--source", help="One source only.")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what is remembered of each source: answers, who gave them and when, and headings."""
    import ingest
    from ingest import profiles

    found = profiles.remembered(ingest.open_store(store, create=False))
    if source is not None:
        found = [one for one in found if one.source == source]
    if as_json:
        typer.echo(json.dumps([_as_dict(one) for one in found], ensure_ascii=False, indent=1))
        return
    for one in found:
        typer.echo(f"{profiles.shown(one.source)}:")
        for answer in one.answers.values():
            typer.echo(f"  {answer.field}={answer.value} ({answer.told})")
        for layout in one.layouts:
            typer.echo(f"  headings: {', '.join(layout.headings)}")
    if not found:
        typer.echo("Nothing is remembered yet.")


def _as_dict(profile: "ingest.Profile") -> dict[str, object]:
    return {
        "source": profile.source,
        "answers": [
            {"field": one.field, "value": one.value, "at": one.at, "who": one.who}
            for one in profile.answers.values()
        ],
        "layouts": [
            {"headings": list(one.headings), "columns": dict(one.mapping)}
            for one in profile.layouts
        ],
    }


def forget(
    field: Annotated[str | None, typer.Option("--field", help="One answer only.")] = None,
    source: SourceOption = None,
    why: WhyOption = "",
    by: ByOption = None,
    store: StoreOption = None,
) -> None:
    """Forget an answer of a source, or all its answers and headings: it is asked again."""
    import ingest
    from ingest import profiles

    opened = ingest.open_store(store, create=False)
    gone = profiles.forget(opened, source or "", field, by, why)
    said = ", ".join(f"{name}={value}" for name, value in sorted(gone.items()))
    typer.echo(f"Forgotten of {profiles.shown(source or '')}: {said or 'its headings'}.")


def alias(
    name: Annotated[str, typer.Argument(help="A product's name as files have it.")],
    product: Annotated[str, typer.Argument(help="The product that it is.")] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take the name back.")] = False,
    why: WhyOption = "",
    by: ByOption = None,
    store: StoreOption = None,
) -> None:
    """Say that a name in files is another one's of a product; stored rows stay as they are."""
    import ingest

    opened = ingest.open_store(store, create=False)
    if undo:
        notes = ingest.remove_alias(opened, name, by, why)
        typer.echo(f"'{name}' is a name of its own from now on.")
    elif product:
        notes = ingest.merge_product(opened, name, product, by, why)
        typer.echo(f"'{name}' is read as '{product}' from now on.")
    else:
        raise ingest.IngestError(f"alias {name} needs the product that it is, or --undo.")
    for note in notes:
        typer.echo(f"Note: {note}")


def method(
    name: Annotated[str, typer.Argument(help="Name of the method, as in the readings.")],
    version: Annotated[str | None, typer.Option(help="[default: the next number]")] = None,
    spindle: Annotated[str | None, typer.Option()] = None,
    speed: Annotated[float | None, typer.Option(help="rpm")] = None,
    set_temperature: Annotated[float | None, typer.Option(help="°C")] = None,
    temperature_tolerance: Annotated[float | None, typer.Option(help="± °C")] = None,
    torque_low: Annotated[float | None, typer.Option(help="%")] = None,
    torque_high: Annotated[float | None, typer.Option(help="%")] = None,
    replicates: Annotated[int | None, typer.Option(help="Readings of a batch.")] = None,
    why: WhyOption = "",
    by: ByOption = None,
    store: StoreOption = None,
) -> None:
    """Register a method, or a new version of one: what is not said stays as it was."""
    import ingest

    opened = ingest.open_store(store)
    said = {
        "version": version,
        "spindle": spindle,
        "speed": speed,
        "set_temperature": set_temperature,
        "temperature_tolerance": temperature_tolerance,
        "torque_low": torque_low,
        "torque_high": torque_high,
        "replicates": replicates,
    }
    added = ingest.revise_method(
        opened, name, {k: v for k, v in said.items() if v is not None}, by, why
    )
    typer.echo(
        f"Method {added.name}{f' version {added.version}' if added.version else ''} holds from now "
        f"on: torque {added.torque_low:g} to {added.torque_high:g} %."
    )


COMMANDS = (remembered, forget, alias, method)
