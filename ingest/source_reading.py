"""Rows of a source walk the way of a file's: text cells, meaning, typed rows, checks, account."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from ingest.account import require_closed
from ingest.answers import Understood
from ingest.columns import BY_NAME
from ingest.errors import IngestError
from ingest.pull_state import FreshRow
from ingest.reading import FileReading, read_table
from ingest.reasons import CHANGED
from ingest.site import Site
from ingest.source_cells import key_cells, text_table
from ingest.source_description import SourceDescription
from ingest.source_query import digest_of
from ingest.typed_blocks import TypedBlocks, as_texts

# Columns that make a reading another one: a change there leaves nothing that ties it to the old.
_IDENTITY = (
    *("product", "batch", "replicate", "instrument", "spindle", "speed", "set_temperature"),
    *("reading_time", "guard", "method", "stage", "sample_type"),
)


def read_rows(
    source: SourceDescription,
    names: Sequence[str],
    fresh: Sequence[FreshRow],
    site: Site | None = None,
) -> FileReading:
    """Read rows of a source as a file's would be.

    Args:
        source: as described. names: what the cells are called there. fresh: the rows.
        site: what the store knows, so that few rows are checked as well as many.

    Raises:
        IngestError: the description leaves a question open.
    """
    table = text_table(source, names, [row.cells for row in fresh])
    told = (
        Understood("source", source.shown, f"{len(fresh)} rows of {source.table or 'a query'}"),
        *(
            Understood(f"column '{theirs}'", BY_NAME[ours].label, "as the source is described")
            for ours, theirs in source.columns.items()
        ),
    )
    mark = digest_of("\n".join([source.name, *(f"{row.key} {row.digest}" for row in fresh)]))
    reading = read_table(table, source.name, mark, dict(source.answers), told, site)
    if reading.questions:
        asked = " ".join(question.text for question in reading.questions)
        raise IngestError(
            f"Source {source.name}: its description leaves something open, so its rows are not "
            f"stored. {asked} Say it there (time_zone, date_order, decimal_mark, units, constants)."
        )
    ours = {f"'{name}'" for name in source.columns}
    about = tuple(one for one in reading.understood if one.what not in ours)
    return _with_moved(source, names, replace(reading, understood=about), fresh)


def _with_moved(
    source: SourceDescription,
    names: Sequence[str],
    reading: FileReading,
    fresh: Sequence[FreshRow],
) -> FileReading:
    """Set aside the records of rows that became another reading in the source."""
    moved = {
        line: told
        for line, row in enumerate(fresh, start=1)
        if row.old_cells and (told := _moved(source, names, row))
    }
    if not moved or not len(reading.typed):
        return reading
    typed, counts = TypedBlocks(), Counter(reading.account.set_aside)
    for block in reading.typed:
        rows = as_texts(block)
        lines = rows["line"].to_numpy()
        reason, detail = (rows[n].to_numpy(dtype=object, copy=True) for n in ("reason", "detail"))
        for at in np.flatnonzero(np.isin(lines, list(moved))):
            if reason[at] == "":
                reason[at], detail[at] = CHANGED, moved[int(lines[at])]
                counts[CHANGED] += 1
        typed.add(rows.assign(reason=pd.Categorical(reason), detail=detail))
    account = replace(
        reading.account,
        used=reading.account.used - counts[CHANGED] + reading.account.set_aside.get(CHANGED, 0),
        set_aside={key: n for key, n in sorted(counts.items()) if n},
    )
    require_closed(account, reading.name)
    return replace(reading, typed=typed, account=account)


def _moved(source: SourceDescription, names: Sequence[str], row: FreshRow) -> str:
    """What makes a changed row another reading, in words; "" where it is the same one."""
    columns, before = source.columns, row.old_cells or {}
    now = dict(zip(names, row.cells, strict=True))
    when = columns.get("tested_at", "")
    if not before.get(when, ""):
        when = columns.get("sampled_at", "")
    telling = [columns[ours] for ours in _IDENTITY if ours in columns]
    telling += [name for name in (when, columns.get("time_of_day", "")) if name]
    told = [
        f"{name} was {before[name][:200] or 'empty'}, is {now[name][:200] or 'empty'}"
        for name in telling
        if name in before and before[name] != now[name]
    ]
    return f"row {' '.join(key_cells(row.key))}: {'; '.join(told)}" if told else ""
