"""Reads mutated files and holds every value in use against what was meant.

Run as a program, `python -m tests.ingest.corpus FIRST STOP STEP` from the root of the project, it
prints what it found as JSON; `test_corpus.py` runs several at once.
"""

import datetime as dt
import json
import math
import sys
from collections import Counter
from collections.abc import Iterator
from typing import Any

from ingest import FileReading, IngestError, read_bytes

from .mutations import Case, case

EPOCH = dt.datetime(1970, 1, 1)
NUMBERS = ("viscosity", "torque", "temperature", "speed")
LOOKED_AT = ("line", "batch", "product", "replicate", "tested_at", *NUMBERS)


def used_rows(reading: FileReading) -> Iterator[dict[str, Any]]:
    """What is looked at of the rows in use, block by block."""
    for block in reading.typed:
        used = block.loc[block["reason"] == "", list(LOOKED_AT)]
        for values in zip(*(used[name].tolist() for name in LOOKED_AT), strict=True):
            yield dict(zip(LOOKED_AT, values, strict=True))


def differences(made: Case, reading: FileReading) -> list[str]:
    """Used readings that are not what was meant."""
    wrong = []
    for row in used_rows(reading):
        # a stray quotation mark inside a name is what the file really says
        batch, product = (row[name].replace('"', "").strip() for name in ("batch", "product"))
        number = int(row["replicate"])
        meant = made.clean.get((batch, number))
        where = f"line {row['line']}: "
        if meant is None and number == 0 and (batch, 1) in made.clean:
            # a cell that a short row of a sheet does not have
            one, two = made.clean[batch, 1], made.clean[batch, 2]
            meant = one if row["viscosity"] == one.viscosity else two
        if meant is None:
            wrong.append(f"{where}nobody meant batch {batch}, replicate {number}")
            continue
        for name in NUMBERS:
            got, true = float(row[name]), float(getattr(meant, name))
            if not math.isnan(got) and not math.isclose(got, true, rel_tol=1e-11):
                wrong.append(f"{where}{name} {got!r} was meant as {true!r}")
        if row["tested_at"] not in (0, int((meant.at - EPOCH).total_seconds())):
            wrong.append(f"{where}{row['tested_at']} was meant as {meant.at}")
        if product != meant.product:
            wrong.append(f"{where}{product!r} was meant as {meant.product!r}")
    return wrong


def outcome(made: Case) -> tuple[str, int, list[str]]:
    """What became of a file: used, asked or refused; rows in use; what is wrong."""
    answers: dict[str, str] = {}
    for _ in range(4):
        try:
            reading = read_bytes(made.content, made.name, answers)
        except IngestError as error:
            told = str(error)
            plain = told.isprintable() and told.endswith(".") and len(told) < 600
            return "refused", 0, [] if plain else [f"no plain sentence: {told!r}"]
        account = reading.account
        if not account.closes:
            return "used", account.used, ["the account does not close"]
        if not reading.questions:
            return "used", account.used, differences(made, reading)
        if account.used:
            return "asked", account.used, ["rows are in use before the question is answered"]
        asked = {question.field for question in reading.questions}
        if not asked <= made.answers.keys():
            break
        answers |= {field: made.answers[field] for field in asked}
    return "asked", 0, []


def survey(seeds: range) -> tuple[Counter[str], list[str]]:
    """What became of the files of some seeds, and all that is wrong with it."""
    found: Counter[str] = Counter()
    wrong: list[str] = []
    for seed in seeds:
        made = case(seed)
        kind, n_used, differs = outcome(made)
        found.update({kind: 1, "files": 1, "rows": n_used, made.done[0]: 1})
        found.update(made.done[5:])
        if made.harmless and n_used < len(made.clean):
            differs.append(f"{kind}, {n_used} of {len(made.clean)} readings in use")
        wrong += [f"seed {seed} {made.done}: {text}" for text in differs]
    return found, wrong


if __name__ == "__main__":
    json.dump(survey(range(*map(int, sys.argv[1:4]))), sys.stdout)
