"""Make the readings of an invented plant, the same bytes every time.

Run ``python sample_data/make_plant.py`` to write all files of this folder again, or name another
folder. The stories in the data are told in README.md beside this file; the constants below are
where their dates and sizes come from.
"""

import csv
import io
import math
import sqlite3
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path

import numpy as np

FIRST_MONDAY = date(2026, 5, 25)
N_WEEKS = 26
N_ARCHIVE_WEEKS = 10  # weeks before FIRST_MONDAY that only the laboratory's database holds
SPEED_RPM = 20
SET_TEMPERATURE = 25.0
# Viscosity for 1 % torque at 20 rpm: the full-scale range over 100. Invented, but as for any real
# spindle family a constant of spindle and speed, so torque and viscosity check each other.
TORQUE_FACTOR = {"S2": 25.0, "S3": 50.0, "S4": 100.0}

# Story 1: from this week on WB-240 is made with thickener lot T-306.
STEP_WEEK, STEP_PERCENT = 20, 5.5
# Story 2: from this week on WB-360 gets thinner on line L3, where the dissolver disc wears.
DRIFT_WEEK, DRIFT_PERCENT_PER_WEEK = 13, -0.6
# Story 3: in this week the bath of V2 is too warm; its display goes on saying 25.0.
WARM_WEEK, WARM_EXCESS_C = 10, 1.5

V1_FILES = (
    ("v1_readings_2026-05_to_07.csv", date(2026, 5, 25), date(2026, 7, 31)),
    ("v1_readings_2026-07_to_09.csv", date(2026, 7, 31), date(2026, 9, 30)),
    ("v1_readings_2026-09_to_11.csv", date(2026, 9, 29), date(2026, 11, 20)),
)
V2_FILE = "v2_pruefbuch_2026.csv"
DATABASE_FILE = "lab.sqlite"
SPECIFICATION_FILE = "specifications.csv"


@dataclass(frozen=True, slots=True)
class Product:
    """One product: where it is made and measured, and how much it varies."""

    code: str
    level: float  # mPa·s at 25 °C
    batch_percent: float  # batch-to-batch standard deviation
    repeat_percent: float  # standard deviation of two beakers of one batch
    percent_per_degree: float  # viscosity lost per °C
    spindle: str
    line: str
    other_line: str
    instrument: str
    other_instrument_share: float
    weekdays: tuple[int, ...]
    early: bool  # made mainly in the early shift
    lots: tuple[tuple[int, str], ...]  # (first week, raw-material lot)
    seed: int  # tried out: this one gives the stories without a false alarm beside them


PRODUCTS = (
    Product(
        "WB-110",
        level=850.0,
        batch_percent=2.6,
        repeat_percent=0.6,
        percent_per_degree=2.4,
        spindle="S2",
        line="L1",
        other_line="L2",
        instrument="V2",
        other_instrument_share=0.25,
        weekdays=(0, 1, 3, 4),
        early=True,
        lots=((-10, "P-118"), (-3, "P-121"), (4, "P-125"), (11, "P-130"), (19, "P-134")),
        seed=2621,
    ),
    Product(
        "WB-240",
        level=1900.0,
        batch_percent=2.8,
        repeat_percent=0.55,
        percent_per_degree=3.1,
        spindle="S3",
        line="L2",
        other_line="L1",
        instrument="V1",
        other_instrument_share=0.2,
        weekdays=(0, 1, 2, 3, 4),
        early=True,
        lots=(
            (-10, "T-287"),
            (-4, "T-291"),
            (2, "T-294"),
            (8, "T-299"),
            (13, "T-302"),
            (STEP_WEEK, "T-306"),
        ),
        seed=333,
    ),
    Product(
        "WB-360",
        level=4200.0,
        batch_percent=3.0,
        repeat_percent=0.65,
        percent_per_degree=2.0,
        spindle="S4",
        line="L3",
        other_line="L2",
        instrument="V1",
        other_instrument_share=0.22,
        weekdays=(0, 2, 4),
        early=False,
        lots=((-10, "C-073"), (-1, "C-078"), (7, "C-081"), (16, "C-085")),
        seed=490,
    ),
)

# Check fluids: certified mPa·s at 25 °C, loss per °C, lot. Both on S2 at 20 rpm, about 20 and 80 %
# torque, so that an offset and a gain can be told apart.
CHECK_FLUIDS = (("CF-500", 502.0, 4.4, "F-2603"), ("CF-2000", 1996.0, 5.1, "F-2607"))
CHECK_PERCENT = 0.4
INSTRUMENT_PERCENT = {"V1": 0.0, "V2": 0.3}  # V2 reads a little higher, well inside tolerance

OPERATORS = {"early": ("HV", "RD"), "late": ("LK", "JÄ")}

COLUMNS = (
    "sampled_at",
    "tested_at",
    "batch",
    "product",
    "instrument",
    "spindle",
    "speed_rpm",
    "torque_pct",
    "temp_C",
    "viscosity",
    "unit",
    "replicate",
    "operator",
    "sample_type",
    "rm_lot",
    "line",
    "shift",
    "status",
    "comment",
)
GERMAN_HEADER = (
    "Datum;Charge;Produkt;Gerät;Spindel;Drehzahl 1/min;Drehmoment %;Temp °C;Viskosität mPa·s;"
    "Prüfer;Nr;Probenart;Rohstofflos;Linie;Bemerkung"
)
GERMAN_SAMPLE_TYPES = {"product": "Produkt", "check": "Kontrolle", "test": "Test"}


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading as the instrument and the analyst left it."""

    sampled_at: datetime
    tested_at: datetime
    batch: str
    product: str
    instrument: str
    spindle: str
    torque: float
    temperature: float
    viscosity: float
    replicate: int
    operator: str
    sample_type: str = "product"
    lot: str = ""
    line: str = ""
    shift: str = ""
    status: str = "valid"
    comment: str = ""
    instead: str = ""  # what stands in the viscosity column when it is not a number


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch on its way through the plant, before it has a number."""

    product: Product
    week: int
    weekday: int
    sampled_at: datetime
    minutes_to_test: int
    instrument: str
    line: str
    shift: str
    operator: str
    lot: str
    level: float  # what an ideal viscometer at 25.0 °C would read
    noise: tuple[float, float, float]  # relative errors of up to three beakers
    temperatures: tuple[float, float, float]  # as displayed
    number: str = ""


# (product, week, weekday) -> instrument, where a story needs a certain one.
FORCED_INSTRUMENT = {
    **{("WB-110", WARM_WEEK, day): "V2" for day in (0, 1, 3, 4)},
    ("WB-240", WARM_WEEK, 1): "V2",
    ("WB-240", WARM_WEEK, 3): "V2",
    ("WB-360", WARM_WEEK, 2): "V2",
    ("WB-360", WARM_WEEK, 4): "V2",
    ("WB-110", -6, 1): "V1",
    ("WB-110", 4, 1): "V2",
    ("WB-240", 5, 1): "V1",
    ("WB-360", 6, 2): "V1",
    ("WB-110", 9, 0): "V1",
    ("WB-240", 3, 1): "V1",
    ("WB-240", 12, 3): "V1",
    ("WB-240", 14, 2): "V1",
    ("WB-360", 17, 0): "V2",
    ("WB-240", STEP_WEEK, 0): "V2",
    ("WB-360", 20, 0): "V1",
    ("WB-360", 22, 0): "V2",
}
# Batches of which only one beaker was measured.
SINGLE_READING = {("WB-110", 7, 4), ("WB-240", 11, 0), ("WB-360", 15, 4)}


def lot_in(product: Product, week: int) -> str:
    """Return the raw-material lot a product was made with in a week."""
    return [lot for first, lot in product.lots if first <= week][-1]


def story_factor(product: Product, week: int, weekday: int, line: str) -> float:
    """Return what the step and the drift do to a batch, as a factor."""
    if product.code == "WB-240" and week >= STEP_WEEK:
        return 1.0 + STEP_PERCENT / 100.0
    if product.code == "WB-360" and week >= DRIFT_WEEK and line == product.line:
        return 1.0 + DRIFT_PERCENT_PER_WEEK / 100.0 * (week - DRIFT_WEEK + weekday / 7.0)
    return 1.0


def make_batches(product: Product) -> list[Batch]:
    """Make all batches of one product, archive weeks included."""
    # RandomState, not default_rng: numpy promises that its stream of numbers never changes.
    random = np.random.RandomState(product.seed)
    batches = []
    for week in range(-N_ARCHIVE_WEEKS, N_WEEKS):
        for weekday in product.weekdays:
            # A fixed number of draws for each batch, used or not: changing one story then leaves
            # all other batches as they were.
            chance = random.random_sample(8)
            normal = random.standard_normal(4)
            line = product.other_line if chance[0] < 0.08 else product.line
            early = product.early != (chance[1] < 0.25)
            shift = "early" if early else "late"
            hour = {"WB-110": (7, 19), "WB-240": (10, 14), "WB-360": (12, 17)}[product.code]
            start = time(hour[0] if early else hour[1], 10)
            day = FIRST_MONDAY + timedelta(weeks=week, days=weekday)
            other = "V1" if product.instrument == "V2" else "V2"
            instrument = other if chance[3] < product.other_instrument_share else product.instrument
            level = product.level * math.exp(product.batch_percent / 100.0 * normal[0])
            batches.append(
                Batch(
                    product=product,
                    week=week,
                    weekday=weekday,
                    sampled_at=datetime.combine(day, start)
                    + timedelta(minutes=int(40 * chance[2])),
                    minutes_to_test=45 + int(30 * chance[4]),
                    instrument=FORCED_INSTRUMENT.get((product.code, week, weekday), instrument),
                    line=line,
                    shift=shift,
                    operator=OPERATORS[shift][int(chance[5] < 0.5)],
                    lot=lot_in(product, week),
                    level=level * story_factor(product, week, weekday, line),
                    noise=tuple(product.repeat_percent / 100.0 * normal[1:]),
                    temperatures=tuple(
                        SET_TEMPERATURE + 0.1 * (int(6 * c) == 0) - 0.1 * (int(6 * c) == 5)
                        for c in (chance[6], chance[7], (chance[6] + chance[7]) / 2)
                    ),
                )
            )
    return batches


def number_batches(batches: Iterable[Batch]) -> list[Batch]:
    """Number all batches of the plant through, in the order in which they were made."""
    ordered = sorted(batches, key=lambda batch: batch.sampled_at)
    return [replace(batch, number=f"N{3801 + i}") for i, batch in enumerate(ordered)]


def bath_excess(instrument: str, week: int) -> float:
    """Return by how many °C the bath is warmer than its display says."""
    return WARM_EXCESS_C if instrument == "V2" and week == WARM_WEEK else 0.0


def shown(instrument: str, viscosity: float) -> float:
    """Round as the export of an instrument does: V1 whole mPa·s, V2 one decimal."""
    return round(viscosity, 1 if instrument == "V2" else 0)


def read_beaker(batch: Batch, replicate: int) -> Reading:
    """Measure one beaker of a batch."""
    product = batch.product
    excess = bath_excess(batch.instrument, batch.week)
    display = SET_TEMPERATURE if excess else batch.temperatures[replicate - 1]
    warmer = display - SET_TEMPERATURE + excess
    viscosity = (
        batch.level
        * (1.0 + INSTRUMENT_PERCENT[batch.instrument] / 100.0)
        * math.exp(batch.noise[replicate - 1] - product.percent_per_degree / 100.0 * warmer)
    )
    return Reading(
        sampled_at=batch.sampled_at,
        tested_at=batch.sampled_at
        + timedelta(minutes=batch.minutes_to_test + 12 * (replicate - 1)),
        batch=batch.number,
        product=product.code,
        instrument=batch.instrument,
        spindle=product.spindle,
        torque=round(viscosity / TORQUE_FACTOR[product.spindle], 1),
        temperature=display,
        viscosity=shown(batch.instrument, viscosity),
        replicate=replicate,
        operator=batch.operator,
        lot=batch.lot,
        line=batch.line,
        shift=batch.shift,
    )


def swap_middle_digits(value: float) -> float:
    """Swap hundreds and tens of a four-digit number, the way fingers do."""
    digits = f"{value:.0f}"
    return float(digits[0] + digits[2] + digits[1] + digits[3])


# What went wrong on single batches. Each takes the batch and returns all its readings.
def typed_ten_times(batch: Batch) -> list[Reading]:
    """One zero too many in replicate 2, and nobody saw it; torque is right."""
    first, second = read_beaker(batch, 1), read_beaker(batch, 2)
    return [first, replace(second, viscosity=10 * second.viscosity)]


def typed_digits_swapped(batch: Batch) -> list[Reading]:
    """Two digits swapped in replicate 1, and nobody saw it; torque is right."""
    first = read_beaker(batch, 1)
    return [replace(first, viscosity=swap_middle_digits(first.viscosity)), read_beaker(batch, 2)]


def typed_temperature(batch: Batch) -> list[Reading]:
    """Temperature typed without its decimal mark in replicate 2."""
    return [read_beaker(batch, 1), replace(read_beaker(batch, 2), temperature=250.0)]


def air_bubbles(batch: Batch) -> list[Reading]:
    """Replicate 2 is invalid, a third beaker was filled."""
    bad = read_beaker(batch, 2)
    viscosity = 1.052 * bad.viscosity
    bad = replace(
        bad,
        viscosity=shown(batch.instrument, viscosity),
        torque=round(viscosity / TORQUE_FACTOR[bad.spindle], 1),
        status="invalid",
        comment="air bubbles, beaker filled again",
    )
    return [read_beaker(batch, 1), bad, read_beaker(batch, 3)]


def retested(batch: Batch) -> list[Reading]:
    """Replicate 2 did not agree; measured again the next morning, both kept."""
    first, good = read_beaker(batch, 1), read_beaker(batch, 2)
    viscosity = 1.031 * first.viscosity
    high = replace(
        good,
        viscosity=shown(batch.instrument, viscosity),
        torque=round(viscosity / TORQUE_FACTOR[good.spindle], 1),
    )
    next_morning = datetime.combine(good.tested_at.date() + timedelta(days=1), time(6, 40))
    return [first, high, replace(good, tested_at=next_morning, comment="retest")]


def over_range(batch: Batch) -> list[Reading]:
    """Replicate 2 ran over full scale, a third beaker was filled."""
    over = replace(
        read_beaker(batch, 2), torque=104.2, instead="OVER", comment="Spindel streift am Boden"
    )
    return [read_beaker(batch, 1), over, read_beaker(batch, 3)]


def below_range(batch: Batch) -> list[Reading]:
    """Replicate 1 was read with the spindle half immersed: below 10 % torque."""
    below = replace(
        read_beaker(batch, 1),
        torque=6.2,
        instead="<250",
        comment="Spindel nicht bis zur Marke eingetaucht",
    )
    return [below, read_beaker(batch, 2), read_beaker(batch, 3)]


INCIDENTS: dict[tuple[str, int, int], Callable[[Batch], list[Reading]]] = {
    ("WB-110", -6, 1): typed_ten_times,
    ("WB-110", 4, 1): below_range,
    ("WB-240", 5, 1): typed_ten_times,
    ("WB-360", 6, 2): typed_digits_swapped,
    ("WB-110", 9, 0): air_bubbles,
    ("WB-240", 12, 3): typed_temperature,
    ("WB-240", 14, 2): retested,
    ("WB-360", 17, 0): over_range,
}
# Remarks that analysts left on the first reading of a batch, by instrument.
REMARKS = {
    ("WB-240", 3, 1, "V1"): "filter changed, line 2",
    ("WB-240", STEP_WEEK, 0, "V2"): "neues Verdickerlos; Zertifikat wie bisher",
    ("WB-360", 20, 0, "V1"): "dissolver L3 louder than usual, reported",
    ("WB-360", 22, 0, "V2"): "Dissolver L3 laut; Wartung angefragt",
    ("WB-240", 22, 1, "V1"): 'same lot again, "certificate as always"',
}


def read_batch(batch: Batch) -> list[Reading]:
    """Return all readings of one batch, with whatever went wrong."""
    key = (batch.product.code, batch.week, batch.weekday)
    if key in INCIDENTS:
        readings = INCIDENTS[key](batch)
    elif key in SINGLE_READING:
        readings = [read_beaker(batch, 1)]
    else:
        readings = [read_beaker(batch, 1), read_beaker(batch, 2)]
    remark = REMARKS.get((*key, batch.instrument))
    if remark:
        readings[0] = replace(readings[0], comment=remark)
    return readings


def read_checks() -> list[Reading]:
    """Measure both check fluids on both instruments, every Monday before the first batch."""
    readings = []
    for instrument, seed, minutes in (("V1", 501, 0), ("V2", 502, 25)):
        random = np.random.RandomState(seed)
        for week in range(-N_ARCHIVE_WEEKS, N_WEEKS):
            monday = FIRST_MONDAY + timedelta(weeks=week)
            operator = OPERATORS["early"][week % 2]
            for i, (fluid, certified, per_degree, lot) in enumerate(CHECK_FLUIDS):
                excess = bath_excess(instrument, week)
                viscosity = (
                    certified
                    * (1.0 + INSTRUMENT_PERCENT[instrument] / 100.0)
                    * math.exp(CHECK_PERCENT / 100.0 * random.standard_normal())
                    * math.exp(-per_degree / 100.0 * excess)
                )
                comment = ""
                if fluid == "CF-2000" and instrument == "V2":
                    comment = {
                        WARM_WEEK: "niedrig, Bad zeigt 25,0",
                        WARM_WEEK + 1: "Bad gewartet, Fühler neu",
                    }.get(week, "")
                at = datetime.combine(monday, time(6, 5)) + timedelta(minutes=minutes + 10 * i)
                readings.append(
                    Reading(
                        sampled_at=at,
                        tested_at=at,
                        batch=f"{fluid}-{monday:%y}W{monday.isocalendar().week:02d}",
                        product=fluid,
                        instrument=instrument,
                        spindle="S2",
                        torque=round(viscosity / TORQUE_FACTOR["S2"], 1),
                        temperature=SET_TEMPERATURE,
                        viscosity=shown(instrument, viscosity),
                        replicate=1,
                        operator=operator,
                        sample_type="check",
                        lot=lot,
                        shift="early",
                        comment=comment,
                    )
                )
    return readings


def read_tests() -> list[Reading]:
    """Return rows that are no results at all: trial runs in air and rinse water."""
    rows = (
        ("V1", "2026-06-15 06:50", "TEST", "WB-110", "S2", 0.1, 3.0, ""),
        ("V1", "2026-08-19 13:50", "RINSE", "water", "S2", 0.2, 5.0, "after cleaning"),
        ("V1", "2026-10-12 06:50", "TEST", "WB-240", "S3", 0.0, 0.0, "zero in air"),
        ("V1", "2026-11-05 13:50", "RINSE", "water", "S2", 0.1, 3.0, "after cleaning"),
        ("V2", "2026-07-14 06:55", "TEST", "WB-110", "S2", 0.1, 2.5, "Leerlauf"),
        ("V2", "2026-08-10 06:00", "TEST", "WB-110", "S2", 0.2, 5.0, "nach Wartung"),
    )
    return [
        Reading(
            sampled_at=datetime.fromisoformat(at),
            tested_at=datetime.fromisoformat(at),
            batch=batch,
            product=product,
            instrument=instrument,
            spindle=spindle,
            torque=torque,
            temperature=SET_TEMPERATURE,
            viscosity=viscosity,
            replicate=1,
            operator="HV",
            sample_type="test",
            shift="early",
            comment=comment,
        )
        for instrument, at, batch, product, spindle, torque, viscosity, comment in rows
    ]


def make_readings() -> list[Reading]:
    """Return every reading of the plant in the order in which it was taken."""
    batches = number_batches(batch for product in PRODUCTS for batch in make_batches(product))
    readings = [reading for batch in batches for reading in read_batch(batch)]
    readings += read_checks() + read_tests()
    return sorted(readings, key=lambda r: (r.tested_at, r.instrument))


def english_row(reading: Reading) -> dict[str, str]:
    """Return a reading as the export of V1 writes it."""
    cells = (
        reading.sampled_at.isoformat(),
        reading.tested_at.isoformat(),
        reading.batch,
        reading.product,
        reading.instrument,
        reading.spindle,
        str(SPEED_RPM),
        f"{reading.torque:.1f}",
        f"{reading.temperature:.1f}",
        reading.instead or f"{reading.viscosity:.0f}",
        "mPa.s",
        str(reading.replicate),
        reading.operator,
        reading.sample_type,
        reading.lot,
        reading.line,
        reading.shift,
        reading.status,
        reading.comment,
    )
    return dict(zip(COLUMNS, cells, strict=True))


def german_number(value: float) -> str:
    """Write 1902.4 as 1.902,4."""
    return f"{value:,.1f}".translate(str.maketrans(",.", ".,"))


def german_row(reading: Reading) -> list[str]:
    """Return a reading as the test log of V2 writes it."""
    return [
        f"{reading.tested_at:%d.%m.%Y %H:%M}",
        reading.batch,
        reading.product,
        reading.instrument,
        reading.spindle,
        str(SPEED_RPM),
        german_number(reading.torque),
        german_number(reading.temperature),
        reading.instead or german_number(reading.viscosity),
        reading.operator,
        str(reading.replicate),
        GERMAN_SAMPLE_TYPES[reading.sample_type],
        reading.lot,
        reading.line,
        reading.comment,
    ]


def v1_export(readings: Sequence[Reading], first: date, last: date) -> bytes:
    """Return the bytes of one English export: UTF-8, commas, ISO times."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(
        english_row(r)
        for r in readings
        if r.instrument == "V1" and first <= r.tested_at.date() <= last
    )
    return text.getvalue().encode("utf-8")


def v2_export(readings: Sequence[Reading]) -> bytes:
    """Return the bytes of the German test log: CP1252, semicolons, decimal commas, preamble."""
    text = io.StringIO(newline="")
    text.write("Prüfbuch Viskosität, Gerät V2\r\n")
    text.write("Labor Holzlacke; Auszug vom 23.11.2026 07:15\r\n")
    text.write("Badtemperatur 25,0 °C; Ablesung nach 60 s; Becher 600 ml\r\n")
    text.write("\r\n")
    text.write(GERMAN_HEADER + "\r\n")
    writer = csv.writer(text, delimiter=";", lineterminator="\r\n")
    month = FIRST_MONDAY.month
    for reading in readings:
        if reading.instrument != "V2":
            continue
        # The log leaves an empty line where a new quarter begins.
        if reading.tested_at.month != month and reading.tested_at.month in (7, 10):
            text.write("\r\n")
        month = reading.tested_at.month
        writer.writerow(german_row(reading))
    return text.getvalue().encode("cp1252")


def specification_export() -> bytes:
    """Return the bytes of the dated specifications."""
    return (
        b"product,lower,upper,target,valid_from,unit\n"
        b"WB-110,755,945,850,2026-01-01,mPa.s\n"
        b"WB-240,1650,2150,1900,2026-01-01,mPa.s\n"
        b"WB-360,3600,4800,4200,2026-01-01,mPa.s\n"
        b"WB-360,3750,4650,4200,2026-07-01,mPa.s\n"
    )


def write_database(path: Path, readings: Sequence[Reading]) -> None:
    """Write the laboratory's database: one plain table, one row a reading."""
    path.unlink(missing_ok=True)
    kinds: Mapping[str, str] = {
        "speed_rpm": "REAL",
        "torque_pct": "REAL",
        "temp_C": "REAL",
        "viscosity": "REAL",
        "replicate": "INTEGER",
    }
    columns = ", ".join(f"{name} {kinds.get(name, 'TEXT')}" for name in COLUMNS)
    marks = ", ".join("?" for _ in COLUMNS)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(f"CREATE TABLE readings (id INTEGER PRIMARY KEY, {columns})")
        connection.executemany(
            f"INSERT INTO readings ({', '.join(COLUMNS)}) VALUES ({marks})",  # noqa: S608 (constants)
            [tuple(english_row(reading).values()) for reading in readings],
        )


def write_plant(folder: Path) -> list[Path]:
    """Write all data files into a folder and return their paths."""
    everything = make_readings()
    start = datetime.combine(FIRST_MONDAY, time())
    archive = [r for r in everything if r.tested_at < start]
    exported = [r for r in everything if r.tested_at >= start]
    contents = {name: v1_export(exported, first, last) for name, first, last in V1_FILES}
    contents[V2_FILE] = v2_export(exported)
    contents[SPECIFICATION_FILE] = specification_export()
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    write_database(folder / DATABASE_FILE, archive)
    return [folder / name for name in (*contents, DATABASE_FILE)]


if __name__ == "__main__":
    for written in write_plant(Path(sys.argv[1]) if sys.argv[1:] else Path(__file__).parent):
        print(f"{written.name}: {written.stat().st_size:,} bytes")
