"""Reading a file with what the store remembers: answers of its source, headings, product names.

A file that the store holds already is read as it was read then, so that importing it again finds
its own rows. Otherwise what is remembered of its source holds where neither the file nor a person
says something else.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from ingest import aliases, layouts, profiles
from ingest.aliases import Renaming
from ingest.answers import (
    ALIAS,
    COLUMN,
    GONE,
    RENAMED,
    Question,
    Understood,
    chosen_columns,
    column_field,
)
from ingest.columns import BY_NAME, IGNORED, HeadingMatch, labels, match_headings
from ingest.csv_file import FirstRows
from ingest.dialect import Header
from ingest.errors import IngestError
from ingest.evidence import MOST_PRODUCTS, FileEvidence
from ingest.meaning import Meaning
from ingest.site import Site

_AS_THEN = "as when this file was imported before"


@dataclass(frozen=True, slots=True, eq=False)
class Recalled:
    """A file with the answers that hold for it.

    Attributes:
        header: its header, the headings matched by these answers.
        answers: what a person gave and what is remembered. given: of these, what a person gave.
        told: of these, those remembered -> where they come from.
        questions, notes: what changed since the source's last export.
        change: the same as a value; None where nothing is known, or this is another export.
        awaited: canonical columns that a question is about.
        part: whether its rows are only some of a longer history, so that a batch may have others
            elsewhere and an early time is no sign of a wrong clock.
    """

    header: Header
    answers: dict[str, str]
    given: dict[str, str]
    told: Mapping[str, str] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()
    change: layouts.Change | None = None
    awaited: frozenset[str] = frozenset()
    part: bool = False


def columns_to_look_for(given: Mapping[str, str], site: Site | None, digest: str) -> dict[str, str]:
    """Columns by which a header may be known: those that were named now, and before."""
    chosen = chosen_columns(given)
    if site is None:
        return chosen
    before = site.imported.get(digest)
    if before is not None:
        earlier = chosen_columns({k: v for k, v in before.items() if k not in given})
    else:
        earlier = {
            name.removeprefix(COLUMN): one.value
            for name, one in site.profile.answers.items()
            if name.startswith(COLUMN)
        }
    taken = set(chosen.values()) - {IGNORED}
    return {label: f for label, f in earlier.items() if f not in taken} | chosen


def recall(
    header: Header,
    head: Callable[[], FirstRows],
    given: Mapping[str, str],
    site: Site | None,
    digest: str,
    name: str,
) -> Recalled:
    """Find the answers that hold for a file, and what changed since the last one of its source.

    Args:
        header: as wide as the rows. head: gives its first rows, where they are needed.
        given: what a person says. site: what the store knows. digest, name: of the file.

    Raises:
        IngestError: an answer names a column that the file does not have.
    """
    named = labels(header.cells)
    answers = dict(given)
    if site is None:
        found = Recalled(header, answers, answers)
    elif digest in site.imported:
        before = _beside(site.imported[digest], answers)
        told = dict.fromkeys(before, _AS_THEN)
        found = Recalled(header, before | answers, answers, told)
    else:
        found = _recalled(header, head, answers, site, named)
    used = {k: v for k, v in found.answers.items() if not k.startswith(RENAMED)}
    chosen = chosen_columns(used)
    _require_columns(chosen, named, used, name)
    header = replace(header, matches=match_headings(header.cells, chosen))
    return replace(found, header=header, answers=used)


def _recalled(
    header: Header,
    head: Callable[[], FirstRows],
    given: dict[str, str],
    site: Site,
    named: tuple[str, ...],
) -> Recalled:
    """The answers for a file of a source that is new to the store."""

    def mapping(answers: Mapping[str, str]) -> dict[str, str]:
        matches = match_headings(header.cells, chosen_columns(answers))
        return _mapping(named, matches)

    profile = site.profile
    found = profiles.applying(profile, given, named, set(mapping(given).values()))
    remembered = {name: one.value for name, one in found.items()}
    told = {name: one.told for name, one in found.items()}
    change = None
    if profile.layouts:
        known = mapping(remembered | given)
        change = layouts.difference(profile.layouts, head(), known, profile.source)
    if change is None:
        return Recalled(header, remembered | given, given, told)
    renamed, missing = _renamed(change, given, named)
    given = given | {k: v for k, v in renamed.items() if k not in given}
    answers = _beside(remembered, given) | given
    notes = (
        *replace(change, missing=missing).sentences(mapping(answers)),
        *(
            f"Column '{one.heading}' ({BY_NAME[one.field].label}) is gone, as answered."
            if column_field(one.field) not in renamed
            else f"Column '{renamed[column_field(one.field)]}' is what was '{one.heading}' until "
            "now, as answered."
            for one in change.missing
            if one not in missing
        ),
    )
    return Recalled(
        header,
        answers,
        given,
        {name: why for name, why in told.items() if name in answers and name not in given},
        layouts.questions(replace(change, missing=missing)),
        notes,
        replace(change, missing=missing),
        frozenset(one.field for one in missing),
    )


def _beside(remembered: Mapping[str, str], given: Mapping[str, str]) -> dict[str, str]:
    """What is remembered where nothing else is said of the same thing, or the same column."""
    return {
        name: value
        for name, value in remembered.items()
        if name not in given and not _of_the_same_column(name, value, given)
    }


def _of_the_same_column(name: str, value: str, answers: Mapping[str, str]) -> bool:
    """Whether an answer is about a column that other answers are about too."""
    about = chosen_columns({name: value})
    return bool(set(about) & set(chosen_columns(answers)))


def _mapping(named: tuple[str, ...], matches: tuple[HeadingMatch | None, ...]) -> dict[str, str]:
    pairs = zip(named, matches, strict=True)
    return {label: match.column.name for label, match in pairs if match is not None}


def _renamed(
    change: layouts.Change, given: Mapping[str, str], named: tuple[str, ...]
) -> tuple[dict[str, str], tuple[layouts.Renamed, ...]]:
    """What was answered about missing columns, as answers, and those that are still open.

    Raises:
        IngestError: an answer names a column that the file does not have.
    """
    answers: dict[str, str] = {}
    missing = []
    for one in change.missing:
        named_now = given.get(column_field(one.field), "")
        said = given.get(f"{RENAMED}{one.heading}", "") or named_now
        if one.field in given:
            said = said or GONE  # it holds for all rows, as answered
        if not said:
            missing.append(one)
        elif said != GONE:
            if said not in named:
                raise IngestError(
                    f"{RENAMED}{one.heading}={said}: the file has no column '{said}': choose from "
                    f"{', '.join([*change.new, GONE])}."
                )
            answers[column_field(one.field)] = said
    return answers, tuple(missing)


def _require_columns(
    chosen: Mapping[str, str], named: tuple[str, ...], answers: Mapping[str, str], name: str
) -> None:
    for label in chosen:
        if label not in named:
            said = next(
                (f"{k}={v}" for k, v in answers.items() if label in chosen_columns({k: v})), label
            )
            raise IngestError(
                f"{said} is not in the file: {name} has the columns {', '.join(named[:30])}."
            )


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """The product names of a file.

    Attributes:
        renaming: what names stand for. answers: those of the file that stand for others, as
            answers, to be kept with the import.
        understood, questions, notes: what a person is told and asked.
    """

    renaming: Renaming = field(default_factory=Renaming)
    answers: Mapping[str, str] = field(default_factory=dict)
    understood: tuple[Understood, ...] = ()
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()


def renaming_of(answers: Mapping[str, str], site: Site | None, digest: str) -> Renaming:
    """Which products names stand for, by the answers and by what the store knows."""
    if site is None or digest in site.imported:
        return Renaming(answers)
    return Renaming(answers, site.aliases)


def products_of(
    evidence: FileEvidence,
    meaning: Meaning,
    answers: Mapping[str, str],
    site: Site | None,
    digest: str,
) -> Products:
    """Which products the names in a file stand for; without a store nothing is asked."""
    names = _product_names(evidence, meaning)
    held = site is not None and digest in site.imported
    renaming = renaming_of(answers, site, digest)
    known = site.products if site is not None else frozenset()
    found = aliases.merged(names, answers, known, renaming.registered)
    told = tuple(
        Understood(f"product '{aliases.shown(text)}'", product, found.told[text])
        for text, product in sorted(found.names.items())
    )
    asked = found.questions if site is not None and not held else ()
    beside = tuple(
        f"Earlier readings of '{aliases.shown(text)}' are stored under that name and stay there: "
        f"rows of this file that repeat them count once more, as '{product}'."
        for text, product in sorted(found.names.items())
        if text in known and not held
    )
    many = (
        (
            f"There are more than {MOST_PRODUCTS} products in the file: the names of those behind "
            "the first were not compared with others.",
        )
        if len(names) >= MOST_PRODUCTS
        else ()
    )
    return Products(
        renaming,
        {f"{ALIAS}{aliases.shown(text)}": product for text, product in found.names.items()},
        told,
        asked,
        () if held else (*found.notes, *beside, *many),
    )


def _product_names(evidence: FileEvidence, meaning: Meaning) -> dict[str, int]:
    """The product names of a file, in the form in which rows keep them, with their rows."""
    constant = meaning.constants.get("product", "")
    index = meaning.columns.get("product")
    if index is None:
        return {constant: evidence.n_rows} if constant else {}
    return dict(evidence.products.get(index, {}))
