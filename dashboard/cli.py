"""The command line: demo, serve, import, specify, assess, and those of `cli_store.py`.

Exit codes: 0 done; 1 done and something needs a person; 2 could not do it, with one sentence.
Heavy libraries are imported inside the commands that use them, so that `--help` is quick.
"""

import json
import signal
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard import cli_store
from dashboard.cli_options import (
    COULD_NOT,
    DONE,
    NEEDS_A_PERSON,
    ByOption,
    JsonOption,
    StoreOption,
    WhyOption,
)

if TYPE_CHECKING:
    import ingest
    from dashboard.results import Assessment

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Statistical process control for viscosity results.",
)
for command in cli_store.COMMANDS:
    app.command()(command)
PortOption = Annotated[int | None, typer.Option("--port", help="Port on 127.0.0.1.")]
OpenOption = Annotated[bool, typer.Option("--open/--no-open", help="Show it in the browser.")]


def main() -> None:
    """Run the command line; no traceback reaches a user for a bad file, store or argument."""
    signal.signal(signal.SIGINT, _stop)
    signal.signal(signal.SIGTERM, _stop)
    try:
        _run()
    except Stopped:
        print("Stopped.", file=sys.stderr)  # noqa: T201
        sys.exit(COULD_NOT)


class Stopped(BaseException):
    """Ctrl-C or a request to end; typer would answer KeyboardInterrupt with a code of its own."""


def _stop(_signal: int, _frame: object) -> None:
    raise Stopped


def _run() -> None:
    try:
        app()
    except ValueError as error:
        # imported only now: pandas and scipy would make every --help wait
        import ingest
        from dashboard.results import AssessmentError
        from spc import SpcError

        if not isinstance(error, (ingest.IngestError, AssessmentError, SpcError)):
            raise
        print(error, file=sys.stderr)  # noqa: T201
        sys.exit(COULD_NOT)
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output went away: nothing is wrong
        sys.exit(DONE)


@app.command()
def demo(port: PortOption = None, open_: OpenOption = True) -> None:
    """Show the dashboard on an invented plant; its store is gone when it ends."""
    from dashboard.serving import demo_store, serve

    typer.echo("Preparing the demo plant …")
    try:
        with demo_store() as (url, as_of):
            code = serve(url, port, open_, as_of)
    except Stopped:  # the way in which a server is meant to end
        code = DONE
    raise typer.Exit(code)


@app.command("serve")
def serve_command(
    store: StoreOption = None, port: PortOption = None, open_: OpenOption = True
) -> None:
    """Show the dashboard on a store (made if it is not there); it listens on 127.0.0.1 only."""
    import ingest
    from dashboard.serving import serve

    url = store or ingest.default_url()
    ingest.open_store(url).close()  # a store that cannot be opened is said here, not on a page
    try:
        code = serve(url, port, open_)
    except Stopped:
        code = DONE
    raise typer.Exit(code)


@app.command("import")
def import_command(
    files: Annotated[list[Path], typer.Argument(help="Files of readings.")],
    store: StoreOption = None,
    source: Annotated[str, typer.Option(help="A name for where the files come from.")] = "",
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="FIELD=VALUE: what the files do not say, e.g. unit=cP."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Import files of readings and print where every row went."""
    import ingest

    answers = _pairs(set_ or [])
    opened = ingest.open_store(store)
    outcomes = []
    for file in files:
        revision = opened.revision()
        try:
            outcomes.append(_import_one(opened, file, answers, source))
        except Stopped:
            stored = opened.revision() != revision  # it may have been writing the last page
            told = f"{file.name} is stored" if stored else f"nothing of {file.name} is stored"
            typer.echo(f"Stopped: {told}.", err=True)
            raise typer.Exit(COULD_NOT) from None
    if as_json:
        typer.echo(json.dumps([outcome for outcome, _ in outcomes], ensure_ascii=False, indent=1))
    else:
        for outcome, _ in outcomes:
            typer.echo(_account_text(outcome))
    codes = [code for _, code in outcomes]
    stored = [code for code in codes if code != COULD_NOT]
    raise typer.Exit(COULD_NOT if not stored else min(max(codes), NEEDS_A_PERSON))


def _pairs(texts: list[str]) -> dict[str, str]:
    from ingest import IngestError

    pairs = {}
    for text in texts:
        field, mark, value = text.partition("=")
        if not mark or not field.strip() or not value.strip():
            raise IngestError(f"--set {text} is not FIELD=VALUE: write it as --set unit=cP.")
        pairs[field.strip()] = value.strip()
    return pairs


def _import_one(
    store: "ingest.Store", file: Path, answers: dict[str, str], source: str
) -> tuple[dict[str, Any], int]:
    """Import one file: what to report of it, and its exit code."""
    import ingest
    from ingest.reasons import NEEDS_A_PERSON as OPEN_REASONS

    try:
        reading = ingest.read_file(file, answers)
        questions = [
            {"field": q.field, "text": q.text, "choices": list(q.choices)}
            for q in reading.questions
        ]
        if questions:
            asked = " ".join(f"{q['text']} Answer with --set {q['field']}=…" for q in questions)
            typer.echo(f"{reading.name} was not imported. {asked}", err=True)
            report = reading.account.as_dict()
            return {"file": reading.name, **report, "questions": questions}, COULD_NOT
        report = store.add(reading, source, progress=_progress(reading.name))
    except ingest.IngestError as error:
        typer.echo(str(error), err=True)
        return {"file": file.name, "error": str(error), "questions": []}, COULD_NOT
    account = report.account
    outcome = {
        "file": reading.name,
        **account.as_dict(),
        "questions": [],
        "notes": list(report.notes),
        "understood": [f"{u.what}: {u.value} ({u.why})" for u in reading.understood],
    }
    waiting = OPEN_REASONS & (account.set_aside.keys() | account.not_parsed.keys())
    return outcome, NEEDS_A_PERSON if waiting or account.conflicts else DONE


def _progress(name: str) -> Callable[[int, int], None] | None:
    """A line on the terminal that counts the rows of a large file; nothing elsewhere."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        if total > 100_000:
            end = "\n" if done == total else ""
            print(f"\r{name}: {done} of {total} rows", end=end, file=sys.stderr, flush=True)  # noqa: T201

    return show


def _account_text(outcome: dict[str, Any]) -> str:
    from ingest import REASONS

    if "error" in outcome:
        return f"{outcome['file']}: not imported."
    if outcome["questions"]:
        return f"{outcome['file']}: not imported, a question is open."
    lines = [f"{outcome['file']}: {outcome['rows_read']} rows read"]
    lines.append(f"  {outcome['used']:>8} used")
    for kind, word in (("set_aside", "set aside"), ("not_parsed", "not parsed")):
        for reason, count in outcome[kind].items():
            lines.append(f"  {count:>8} {word}: {REASONS[reason]}")
    if outcome["duplicates"]:
        lines.append(f"  {outcome['duplicates']:>8} duplicates of rows already held")
    lines.append("           The account closes." if outcome["closes"] else "  It does not close!")
    if outcome["blank_lines"]:
        lines.append(f"           ({outcome['blank_lines']} blank lines skipped)")
    lines += [f"  Note: {note}" for note in outcome["notes"]]
    return "\n".join(lines)


@app.command()
def specify(
    product: Annotated[str, typer.Argument(help="The product, as in the readings.")],
    lower: Annotated[float | None, typer.Option(help="Lower limit.")] = None,
    upper: Annotated[float | None, typer.Option(help="Upper limit.")] = None,
    target: Annotated[float | None, typer.Option(help="Target, the process aim.")] = None,
    from_: Annotated[
        datetime | None,
        typer.Option("--from", formats=["%Y-%m-%d"], help="First day it holds for."),
    ] = None,
    unit: Annotated[str, typer.Option(help="Unit of the numbers.")] = "mPa.s",
    by: ByOption = None,
    why: WhyOption = "",
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a dated specification; earlier ones stay in force for earlier batches."""
    import ingest

    opened = ingest.open_store(store)
    day = from_.date() if from_ else None
    added = opened.add_specification(product, lower, upper, target, day, unit, by, why)
    if as_json:
        typer.echo(
            json.dumps(
                {
                    "product": added.product,
                    "lower": added.lower,
                    "upper": added.upper,
                    "target": added.target,
                    "valid_from": added.valid_from.isoformat() if added.valid_from else None,
                    "recorded_at": added.recorded_at,
                }
            )
        )
        return
    from dashboard.text import number

    since = f"from {added.valid_from.isoformat()}" if added.valid_from else "from the beginning"
    parts = [
        f"{word} {number(value)}"
        for word, value in (
            ("lower", added.lower),
            ("upper", added.upper),
            ("target", added.target),
        )
        if value is not None
    ]
    typer.echo(f"{added.product}: {', '.join(parts)} mPa·s, {since}.")
    if product not in set(opened.characteristics()["product"]):
        typer.echo(f"Note: no reading of {product} is in the store yet; check its spelling.")


@app.command()
def assess(
    store: StoreOption = None,
    product: Annotated[str | None, typer.Option(help="One product only.")] = None,
    rules: Annotated[
        str, typer.Option(help="three-sigma-ewma, three-sigma or four-zone.")
    ] = "three-sigma-ewma",
    subgroups: Annotated[
        str | None,
        typer.Option(help="batch, day, shift or a number of batches: X-bar charts beside."),
    ] = None,
    as_of: Annotated[
        datetime | None, typer.Option(help="Time that freshness is judged by. [default: now]")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Judge every product: state, limits, signals, capability, repeatability."""
    import ingest
    from dashboard.as_json import to_json
    from dashboard.assessment import assess_store

    opened = ingest.open_store(store, create=False)
    found = assess_store(opened, product, rules, subgroups, as_of)
    if as_json:
        from dashboard.investigate import investigate_store

        investigated = investigate_store(opened, found)
        objects = [
            to_json(one, investigated[one.characteristic_id].verdict)
            if one.characteristic_id in investigated
            else to_json(one)
            for one in found
        ]
        typer.echo(json.dumps(objects, ensure_ascii=False, indent=1, allow_nan=False))
    else:
        for one in found:
            typer.echo(_assessment_text(one))
        from dashboard.assessment import CAUTION

        typer.echo(CAUTION if found else "The store holds no product readings yet: import a file.")
    needs = any(one.needs_a_person for one in found)
    raise typer.Exit(NEEDS_A_PERSON if needs else DONE)


def _assessment_text(one: "Assessment") -> str:
    from dashboard import sentences

    lines = [f"{one.product}, {one.condition}: {', '.join(one.shown_states)}"]
    lines.append(f"  {one.state_reason}")
    if one.stale:
        lines.append(f"  {one.stale_sentence}")
    lines += [f"  {sentences.last_batch(one)}", f"  {sentences.capability(one)}"]
    lines.append(f"  {sentences.repeatability(one)}")
    if one.undecided:
        lines.append(f"  {sentences.undecided(one)}")
    lines += [f"  {event.sentence}" for event in one.open_events]
    if one.subgroups is not None:
        lines.append(f"  {one.subgroups.sentence}")
        lines += [f"  {one.subgroups.warning}"] if one.subgroups.warning else []
    return "\n".join(lines)


if __name__ == "__main__":
    main()
