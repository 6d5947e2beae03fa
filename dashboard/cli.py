"""The command line: demo, serve, import, specify, assess; more in the other `cli_` modules.

Exit codes: 0 done; 1 done and something needs a person; 2 could not do it, with one sentence.
Heavy libraries are imported inside the commands that use them, so that `--help` is quick.
"""

import json
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard import cli_memory, cli_review, cli_sources, cli_stopping, cli_store, cli_watch
from dashboard.cli_account import account_text, summary
from dashboard.cli_options import (
    COULD_NOT,
    DONE,
    NEEDS_A_PERSON,
    ByOption,
    JsonOption,
    Stopped,
    StoreOption,
    WatchOption,
    WhyOption,
    printable,
)
from dashboard.how_read import ON_THE_COMMAND_LINE, how_it_was_read

if TYPE_CHECKING:
    import ingest
    from dashboard.results import Assessment

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Statistical process control for viscosity results.",
)
MORE = (cli_store, cli_sources, cli_memory, cli_watch, cli_review)
for command in (command for module in MORE for command in module.COMMANDS):
    app.command()(command)
PortOption = Annotated[int | None, typer.Option("--port", help="Port on 127.0.0.1.")]
OpenOption = Annotated[bool, typer.Option("--open/--no-open", help="Show it in the browser.")]


def main() -> None:
    """Run the command line; no traceback reaches a user for a bad file, store or argument."""
    cli_stopping.listen()
    try:
        _run()
    except Stopped:
        print("Stopped.", file=sys.stderr)  # noqa: T201
        sys.exit(COULD_NOT)


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
    files: Annotated[list[Path], typer.Argument(help="Files of readings, or folders of them.")],
    store: StoreOption = None,
    source: Annotated[str, typer.Option(help="A name for where the files come from.")] = "",
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help="FIELD=VALUE: what the files do not say, e.g. unit=cP or column:Wert=viscosity.",
        ),
    ] = None,
    watch: WatchOption = None,
    by: ByOption = None,
    as_json: JsonOption = False,
) -> None:
    """Import files of readings and print where every row went; of a folder, all in and below it."""
    import ingest

    answers = _pairs(set_ or [])
    opened = ingest.open_store(store)
    if watch is not None:

        def shown(outcome: dict[str, Any]) -> str:
            return json.dumps(outcome, ensure_ascii=False) if as_json else account_text(outcome)

        cli_sources.watch_folder(
            opened,
            files,
            watch,
            lambda file: _import_file(opened, file, answers, source, by),
            shown,
        )
    found = ingest.find_files(files)
    outcomes: list[tuple[dict[str, Any], int]] = []
    for file, sentence in found.refused:
        typer.echo(printable(sentence), err=True)
        refusal = {"file": printable(file.name), "error": sentence, "questions": []}
        outcomes.append((refusal, COULD_NOT))
    for number, file in enumerate(found.files, 1):
        revision = opened.revision()
        _show_file(number, len(found.files), file)
        try:
            outcomes += _import_file(opened, file, answers, source, by)
        except Stopped:
            stored = opened.revision() != revision  # it may have been writing the last page
            told = f"{file.name} is stored" if stored else f"nothing of {file.name} is stored"
            typer.echo(f"Stopped: {told}.", err=True)
            raise typer.Exit(COULD_NOT) from None
    if as_json:
        typer.echo(json.dumps([outcome for outcome, _ in outcomes], ensure_ascii=False, indent=1))
    else:
        for outcome, _ in outcomes:
            typer.echo(account_text(outcome))
        if len(outcomes) > 1 or found.others:
            typer.echo(summary([outcome for outcome, _ in outcomes], found.others))
    codes = [code for _, code in outcomes] or [COULD_NOT]
    stored = [code for code in codes if code != COULD_NOT]
    raise typer.Exit(COULD_NOT if not stored else min(max(codes), NEEDS_A_PERSON))


def _show_file(number: int, total: int, file: Path) -> None:
    """A line on the terminal that counts the files of a long list; nothing elsewhere."""
    if total > 1 and sys.stderr.isatty():
        print(f"{number} of {total}: {printable(file.name)}", file=sys.stderr, flush=True)  # noqa: T201


def _import_file(
    store: "ingest.Store", file: Path, answers: dict[str, str], source: str, by: str | None
) -> list[tuple[dict[str, Any], int]]:
    """Import a file; of an archive that holds several, each one."""
    outcome, code = _import_one(store, file, answers, source, by)
    asked = outcome["questions"]
    if [question["field"] for question in asked] != ["member"]:
        return [(outcome, code)]
    members = asked[0]["choices"]
    return [_import_one(store, file, {**answers, "member": one}, source, by) for one in members]


def _pairs(texts: list[str]) -> dict[str, str]:
    from ingest import IngestError

    pairs = {}
    for text in texts:
        # a heading may hold a "=", what a column is does not
        cut = text.rpartition if text.startswith("column:") else text.partition
        field, mark, value = cut("=")
        if not mark or not field.strip() or not value.strip():
            raise IngestError(f"--set {text} is not FIELD=VALUE: write it as --set unit=cP.")
        pairs[field.strip()] = value.strip()
    return pairs


def _import_one(
    store: "ingest.Store", file: Path, answers: dict[str, str], source: str, by: str | None
) -> tuple[dict[str, Any], int]:
    """Import one file: what to report of it, and its exit code."""
    import ingest
    from ingest.reasons import NEEDS_A_PERSON as OPEN_REASONS
    from ingest.reasons import severity

    try:
        reading = ingest.read_file(
            file, answers, site=store.site(source), progress=_progress(file.name, "bytes read")
        )
        questions = [
            {"field": q.field, "text": q.text, "choices": list(q.choices)}
            for q in reading.questions
        ]
        if [question["field"] for question in questions] == ["member"]:
            return {"file": reading.name, "questions": questions}, COULD_NOT
        if questions:
            asked = " ".join(_asked(question) for question in reading.questions)
            changed = "".join(f" {note}" for note in reading.notes)
            typer.echo(f"{reading.name} was not imported.{changed} {asked}", err=True)
            told = {
                "questions": questions,
                "notes": list(reading.notes),
                "change": reading.change.as_dict() if reading.change else None,
            }
            return {"file": reading.name, **reading.account.as_dict(), **told}, COULD_NOT
        report = store.add(reading, source, progress=_progress(reading.name), by=by)
    except ingest.IngestError as error:
        typer.echo(str(error), err=True)
        name = printable(file.name)
        return {"file": name, "error": str(error), "questions": []}, COULD_NOT
    account = report.account
    found = {**account.set_aside, **account.not_parsed, **account.remarks}
    outcome = {
        "file": reading.name,
        **account.as_dict(),
        "severity": {reason: severity(reason) for reason in found},
        "questions": [],
        "notes": list(report.notes),
        "understood": [f"{u.what}: {u.value} ({u.why})" for u in reading.understood],
        "reading": how_it_was_read(reading.understood, ON_THE_COMMAND_LINE),
        "findings": [one.as_dict() for one in reading.findings],
        "change": reading.change.as_dict() if reading.change else None,
    }
    waiting = OPEN_REASONS & (account.set_aside.keys() | account.not_parsed.keys())
    return outcome, NEEDS_A_PERSON if waiting or account.conflicts else DONE


def _asked(question: "ingest.Question") -> str:
    """A question with the option that answers it, ready for a shell."""
    import shlex

    choices = [shlex.quote(f"{question.field}={choice}") for choice in question.choices[:6]]
    if not choices:
        return f"{question.text} Answer with --set {shlex.quote(f'{question.field}=…')}."
    more = " …" if len(question.choices) > 6 else ""
    return f"{question.text} Answer with --set {' or --set '.join(choices)}{more}."


def _progress(name: str, what: str = "rows") -> Callable[[int, int], None] | None:
    """A line on the terminal that counts what is done of a large file; nothing elsewhere."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        if total > (100_000 if what == "rows" else 10_000_000):
            end = "\n" if done == total else ""
            print(f"\r{name}: {done} of {total} {what}", end=end, file=sys.stderr, flush=True)  # noqa: T201

    return show


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
    if as_json:
        from dashboard.investigate import assess_and_investigate

        found, investigated = assess_and_investigate(opened, product, rules, subgroups, as_of)
        objects = [
            to_json(one, investigated[one.characteristic_id].verdict)
            if one.characteristic_id in investigated
            else to_json(one)
            for one in found
        ]
        typer.echo(json.dumps(objects, ensure_ascii=False, indent=1, allow_nan=False))
    else:
        found = assess_store(opened, product, rules, subgroups, as_of)
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
