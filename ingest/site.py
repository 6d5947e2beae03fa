"""What a store knows that helps to read the next file: one frozen value, made by `Store.site`.

So a file of four rows is checked against the torque factors, medians and methods of the whole
site, and read with the answers that its source was given before.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import sqlalchemy as sa

from ingest import aliases, profiles, registers, schema, specifications
from ingest.aliases import Alias
from ingest.checks import Factor, Group, torque_factors
from ingest.profiles import Profile
from ingest.registers import Method
from ingest.row_checks import Kind, Usual, usual_values

_NEWEST_READINGS = 50_000
"""Factors and medians are learned from so many of the newest readings in use: they are constants
of the site that need a few rows each, and a store may hold tens of millions."""


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """Factors and medians of the newest readings in use; see `Site`.

    Attributes:
        newest: highest id of a result when they were learned. undone: number of undone imports.
        whole: whether there were as many readings as are looked at.
    """

    factors: Mapping[Group, Factor]
    usual: Mapping[Kind, Usual]
    newest: int
    undone: int
    whole: bool


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """What is known before a file is read; everything is empty for a new store.

    Attributes:
        profile: answers and headings of the source that the file is from.
        products: names that the store has readings or decisions of. aliases: their other names.
        methods: the register of methods, in the order in which they were added.
        factors: viscosity ÷ torque by instrument, spindle and speed.
        usual: median viscosity by product, sample type, spindle and speed.
        targets: product -> the aim of its newest specification, mPa·s.
        imported: digest of each file that the store holds -> the answers that it was read with.
    """

    profile: Profile = field(default_factory=Profile)
    products: frozenset[str] = frozenset()
    aliases: Mapping[str, Alias] = field(default_factory=dict)
    methods: tuple[Method, ...] = ()
    factors: Mapping[Group, Factor] = field(default_factory=dict)
    usual: Mapping[Kind, Usual] = field(default_factory=dict)
    targets: Mapping[str, float] = field(default_factory=dict)
    imported: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def load(connection: sa.Connection, learned: Learned, source: str = "") -> Site:
    """What the store knows for files of a source; see `Store.site`."""
    specified = specifications.specifications(connection, None)
    registered = connection.execute(sa.select(schema.PRODUCTS.c.name)).scalars()
    stored = connection.execute(sa.select(schema.CHARACTERISTICS.c.product).distinct()).scalars()
    imports = schema.IMPORTS
    answers = connection.execute(
        sa.select(imports.c.digest, imports.c.answers).where(
            imports.c.id.not_in(sa.select(schema.UNDONE_IMPORTS.c.import_id))
        )
    )
    return Site(
        profile=profiles.load(connection, source),
        products=frozenset({*registered, *stored, *(one.product for one in specified)} - {""}),
        aliases=aliases.load(connection),
        methods=tuple(registers.methods_in(connection)),
        factors=learned.factors,
        usual=learned.usual,
        targets={one.product: one.target for one in specified if one.target is not None},
        imported={str(digest): json.loads(given) for digest, given in answers},
    )


def learn(connection: sa.Connection, before: Learned | None = None) -> Learned:
    """Factors and medians of the newest readings.

    Args:
        connection: the open store.
        before: what was learned earlier: it holds on while few of many readings are newer, so
            that a folder of small files does not cost a look at the whole window for each.
    """
    undone = connection.execute(
        sa.select(sa.func.count()).select_from(schema.UNDONE_IMPORTS)
    ).scalar_one()
    newest = connection.execute(
        sa.select(sa.func.coalesce(sa.func.max(schema.RESULTS.c.id), 0))
    ).scalar_one()
    if before is not None and before.undone == undone and before.newest <= newest:
        few = _NEWEST_READINGS // 20 if before.whole else 0
        if newest - before.newest <= few:
            return before
    held = _newest_readings(connection, int(newest))
    usable = np.ones(len(held), dtype=bool)
    return Learned(
        torque_factors(held, usable),
        usual_values(held, usable),
        int(newest),
        int(undone),
        newest >= _NEWEST_READINGS,
    )


def _newest_readings(connection: sa.Connection, newest: int) -> pd.DataFrame:
    results, kinds, aside = schema.RESULTS, schema.CHARACTERISTICS, schema.SET_ASIDE
    query = (
        sa.select(
            results.c.instrument,
            kinds.c.product,
            kinds.c.sample_type,
            kinds.c.spindle,
            kinds.c.speed,
            results.c.torque,
            results.c.viscosity,
        )
        .join(kinds, kinds.c.id == results.c.characteristic_id)
        .where(
            results.c.id > newest - _NEWEST_READINGS,
            results.c.viscosity > 0,
            ~sa.exists().where(aside.c.result_id == results.c.id),
        )
    )
    names = ("instrument", "product", "sample_type", "spindle", "speed", "torque", "viscosity")
    rows = connection.execute(query).all()
    columns = list(zip(*rows, strict=True)) or [()] * len(names)  # a frame of Row objects is slow
    frame = pd.DataFrame(
        {name: np.array(cells, dtype=object) for name, cells in zip(names, columns, strict=True)}
    )
    speed = pd.to_numeric(frame["speed"], errors="coerce").astype(float)
    frame = frame.assign(speed=speed)
    return frame.astype({"torque": float, "viscosity": float})
