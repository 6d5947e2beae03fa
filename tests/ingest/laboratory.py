"""A laboratory's database for tests: one table of readings, on any kind of server."""

import os
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import sqlalchemy as sa

import ingest

START = datetime(2026, 1, 5, 7, 0)
PASSWORD = "VISCOSITY_SPC_TEST_SOURCE_PASSWORD"  # noqa: S105 - the name of a variable

TABLE = sa.Table(
    "readings",
    sa.MetaData(),
    sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("measured", sa.DateTime, nullable=False),
    sa.Column("changed", sa.DateTime),
    sa.Column("charge_no", sa.String(40)),
    sa.Column("product", sa.String(40)),
    sa.Column("rep", sa.Integer),
    sa.Column("eta", sa.Numeric(10, 2, asdecimal=False)),
    sa.Column("torque", sa.Float),
    sa.Column("device", sa.String(20)),
    sa.Column("remark", sa.Text),
)

DESCRIPTION = """
[sources.{name}]
url = "{url}"
{password}
{relation}
time_zone = "Europe/Berlin"
{settings}
[sources.{name}.columns]
tested_at = "measured"
batch = "charge_no"
product = "product"
replicate = "rep"
viscosity = "eta"
torque = "torque"
instrument = "device"
comment = "remark"
{columns}
[sources.{name}.units]
viscosity = "mPa.s"
[sources.{name}.constants]
spindle = "S3"
speed = 20
"""
SETTINGS = """
key = ["id"]
watermark = "changed"
overlap = "2 days"
"""


def row(number: int, **changes: Any) -> dict[str, Any]:
    """Reading number n: two replicates a batch, one batch an hour, entered when it was measured."""
    batch = (number - 1) // 2
    measured = START + timedelta(hours=batch, minutes=(number - 1) % 2)
    values = {
        "id": number,
        "measured": measured,
        "changed": measured,
        "charge_no": f"B{batch + 1:04d}",
        "product": "P-100",
        "rep": (number - 1) % 2 + 1,
        "eta": 2000.0 + (number * 37) % 101,
        "torque": (2000.0 + (number * 37) % 101) / 50,
        "device": "V1",
        "remark": None,
    }
    return values | changes


class Laboratory:
    """The database, to be filled and changed as a laboratory would, and its description."""

    def __init__(self, url: str, folder: Path) -> None:
        """Make its empty table."""
        self.engine = sa.create_engine(url)
        self.folder = folder
        address = sa.make_url(url)
        self.kind = address.get_backend_name()
        if address.password:
            os.environ[PASSWORD] = address.password
        self.has_password = bool(address.password)
        self.url = address.set(password=None).render_as_string()
        TABLE.create(self.engine)

    def add(self, *rows: dict[str, Any]) -> None:
        """Enter rows."""
        with self.engine.begin() as connection:
            connection.execute(sa.insert(TABLE), list(rows))

    def change(self, number: int, **values: Any) -> None:
        """Overwrite cells of a row."""
        with self.engine.begin() as connection:
            connection.execute(sa.update(TABLE).where(TABLE.c.id == number).values(**values))

    def delete(self, *numbers: int) -> None:
        """Delete rows."""
        with self.engine.begin() as connection:
            connection.execute(sa.delete(TABLE).where(TABLE.c.id.in_(numbers)))

    def run(self, *statements: str) -> None:
        """Run statements as its administrator."""
        with self.engine.begin() as connection:
            for statement in statements:
                connection.execute(sa.text(statement.replace(":", r"\:")))

    def content(self) -> list[tuple[Any, ...]]:
        """All that is in the table."""
        with self.engine.connect() as connection:
            return [tuple(one) for one in connection.execute(sa.select(TABLE).order_by("id"))]

    def write_description(
        self,
        name: str = "lims",
        relation: str = 'table = "readings"',
        settings: str = SETTINGS,
        columns: str = "",
    ) -> Path:
        """Write the file that describes it."""
        password = f'password = {{ environment = "{PASSWORD}" }}' if self.has_password else ""
        text = DESCRIPTION.format(
            name=name,
            url=self.url,
            password=password,
            relation=relation,
            settings=settings,
            columns=columns,
        )
        path = self.folder / "sources.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def describe(self, name: str = "lims", **parts: str) -> ingest.SourceDescription:
        """Its description, with parts of it otherwise."""
        return ingest.find_source(self.write_description(name, **parts), name)
