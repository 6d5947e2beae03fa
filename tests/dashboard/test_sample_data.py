"""The invented plant: made again to the same bytes, and its stories are in the text of its files.

Everything is judged here by plain pandas and numpy on the files' own text; neither our readers nor
our statistics are used. The two chart formulas that are needed are written out below.
"""

import io
import re
import sqlite3
from contextlib import closing
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sample_data
from sample_data.make_plant import write_plant

FOLDER = Path(sample_data.__file__).parent
V1_NAMES = (
    "v1_readings_2026-05_to_07.csv",
    "v1_readings_2026-07_to_09.csv",
    "v1_readings_2026-09_to_11.csv",
)
V2_NAME = "v2_pruefbuch_2026.csv"
GERMAN = {
    "Datum": "tested_at",
    "Charge": "batch",
    "Produkt": "product",
    "Gerät": "instrument",
    "Spindel": "spindle",
    "Drehzahl 1/min": "speed_rpm",
    "Drehmoment %": "torque_pct",
    "Temp °C": "temp_C",
    "Viskosität mPa·s": "viscosity",
    "Prüfer": "operator",
    "Nr": "replicate",
    "Probenart": "sample_type",
    "Rohstofflos": "rm_lot",
    "Linie": "line",
    "Bemerkung": "comment",
}
FACTOR = {"S2": 25.0, "S3": 50.0, "S4": 100.0}  # as README.md states it


def read_v1(name: str) -> pd.DataFrame:
    frame = pd.read_csv(
        FOLDER / name, dtype=str, keep_default_na=False, encoding="utf-8", na_filter=False
    )
    frame["at"] = pd.to_datetime(frame["tested_at"], format="%Y-%m-%dT%H:%M:%S")
    return frame.assign(file=name)


def read_v2() -> pd.DataFrame:
    lines = (FOLDER / V2_NAME).read_bytes().decode("cp1252").split("\r\n")
    text = "\n".join(lines[lines.index(";".join(GERMAN)) :])
    frame = pd.read_csv(io.StringIO(text), sep=";", dtype=str, na_filter=False)
    frame = frame.rename(columns=GERMAN)
    frame["at"] = pd.to_datetime(frame["tested_at"], format="%d.%m.%Y %H:%M")
    for column in ("torque_pct", "temp_C", "viscosity"):
        frame[column] = frame[column].str.replace(".", "").str.replace(",", ".")
    kinds = {"Produkt": "product", "Kontrolle": "check", "Test": "test"}
    frame["sample_type"] = frame["sample_type"].map(kinds)
    return frame.assign(file=V2_NAME, status="valid")


@pytest.fixture(scope="module")
def v1() -> pd.DataFrame:
    frame = pd.concat([read_v1(name) for name in V1_NAMES], ignore_index=True)
    return frame.drop_duplicates(subset=frame.columns.difference(["file"]).tolist())


@pytest.fixture(scope="module")
def everything(v1: pd.DataFrame) -> pd.DataFrame:
    frame = pd.concat([v1, read_v2()], ignore_index=True)
    frame["value"] = pd.to_numeric(frame["viscosity"], errors="coerce")
    for column in ("torque_pct", "temp_C", "speed_rpm"):
        frame[column] = frame[column].astype(float)
    frame["week"] = (frame["at"] - pd.Timestamp("2026-05-25")).dt.days // 7
    return frame.sort_values("at", ignore_index=True)


def torque_disagrees(rows: pd.DataFrame) -> pd.Series:
    """Viscosity over torque is not the spindle's factor, beyond rounding and half a percent."""
    known = rows["value"].notna() & (rows["torque_pct"] >= 10)
    error = (rows["value"] / (rows["spindle"].map(FACTOR) * rows["torque_pct"]) - 1).abs()
    return known & (error > 0.05 / rows["torque_pct"] + 0.5 / rows["value"] + 0.005)


@pytest.fixture(scope="module")
def used(everything: pd.DataFrame) -> pd.DataFrame:
    keep = (
        everything["value"].notna()
        & ~torque_disagrees(everything)
        & (everything["status"] == "valid")
        & everything["torque_pct"].between(10, 100)
        & (everything["comment"] != "retest")
    )
    return everything[keep]


@pytest.fixture(scope="module")
def batches(used: pd.DataFrame) -> pd.DataFrame:
    products = used[used["sample_type"] == "product"]
    means = products.groupby("batch", sort=False).agg(
        product=("product", "first"),
        at=("at", "first"),
        week=("week", "first"),
        line=("line", "first"),
        lot=("rm_lot", "first"),
        instrument=("instrument", "first"),
        mean=("value", "mean"),
        low=("value", "min"),
        high=("value", "max"),
        n=("value", "size"),
    )
    return means.reset_index()


def of(batches: pd.DataFrame, product: str) -> pd.DataFrame:
    return batches[batches["product"] == product].reset_index(drop=True)


def individuals(values: np.ndarray) -> tuple[float, float]:
    """Centre and sigma from the mean moving range; d2 for two is 2/sqrt(pi)."""
    return float(values.mean()), float(np.abs(np.diff(values)).mean() * np.sqrt(np.pi) / 2)


def beyond_three_sigma(values: np.ndarray, center: float, sigma: float) -> list[int]:
    return [i for i, value in enumerate(values) if abs(value - center) > 3 * sigma]


def ewma_outside(values: np.ndarray, center: float, sigma: float) -> list[int]:
    """Weight 0.2, width 2.86, exact limits at every point, written as the recursion."""
    outside, level, variance = [], center, 0.0
    for i, value in enumerate(values):
        level = 0.8 * level + 0.2 * value
        variance = 0.64 * variance + 0.04 * sigma**2
        if abs(level - center) > 2.86 * variance**0.5:
            outside.append(i)
    return outside


def zone_runs(values: np.ndarray, center: float, sigma: float) -> list[int]:
    """2 of 3 beyond 2 sigma, 4 of 5 beyond 1 sigma, 8 on one side: a plain brute force."""
    found = set()
    for side in (1, -1):
        z = side * (values - center) / sigma
        for i in range(len(z)):
            for wanted, window, zone in ((2, 3, 2.0), (4, 5, 1.0), (8, 8, 0.0)):
                part = z[max(0, i - window + 1) : i + 1]
                if z[i] > zone and (part > zone).sum() >= wanted:
                    found.add(i)
    return sorted(found)


def test_made_again_the_files_are_the_same(tmp_path: Path) -> None:
    names = [path.name for path in write_plant(tmp_path)]
    assert len(names) == 6
    for name in names:
        if name.endswith(".sqlite"):
            # The file names the SQLite version that wrote it, so its contents are compared.
            assert dump(tmp_path / name) == dump(FOLDER / name)
        else:
            assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes()


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


def test_the_folder_holds_what_the_script_writes_and_is_small(tmp_path: Path) -> None:
    written = {path.name for path in write_plant(tmp_path)}
    kept = {p.name for p in FOLDER.iterdir() if p.is_file()}
    by_hand = {"__init__.py", "make_plant.py", "README.md", "sources.toml"}
    assert kept == written | by_hand | {"make_notebook.py", "wb_240.ipynb"}
    assert sum((FOLDER / name).stat().st_size for name in kept) < 1_500_000


def test_v1_exports_are_utf8_and_overlap_by_a_few_identical_rows() -> None:
    for name in V1_NAMES:
        assert "JÄ" in (FOLDER / name).read_text(encoding="utf-8")
    for earlier, later in pairwise(V1_NAMES):
        rows = [
            (FOLDER / name).read_text(encoding="utf-8").splitlines()[1:]
            for name in (earlier, later)
        ]
        shared = set(rows[0]) & set(rows[1])
        assert len(shared) == 4
        assert rows[0][-4:] == rows[1][:4]
        assert len(set(rows[0])) == len(rows[0])


def test_v2_export_is_german_with_a_preamble() -> None:
    content = (FOLDER / V2_NAME).read_bytes()
    with pytest.raises(UnicodeDecodeError):
        content.decode("utf-8")
    lines = content.decode("latin-1").split("\r\n")
    assert lines.index(";".join(GERMAN)) == 4
    assert lines[3] == ""
    assert lines[5:-1].count("") == 2
    fields = [line.split(";")[8] for line in lines[5:] if line]
    assert sum(bool(re.fullmatch(r"\d\.\d{3},\d", cell)) for cell in fields) > 80
    assert fields.count("OVER") == 1
    assert fields.count("<250") == 1


def test_rows_of_each_kind(everything: pd.DataFrame) -> None:
    by_file = everything.groupby("file").size().to_dict()
    assert by_file == dict(zip((*V1_NAMES, V2_NAME), (155, 140, 132, 308), strict=True))
    assert everything["sample_type"].value_counts().to_dict() == {
        "product": 625,
        "check": 104,
        "test": 6,
    }
    assert (everything["status"] == "invalid").sum() == 1
    assert (everything["comment"] == "retest").sum() == 1
    assert (everything["torque_pct"] > 100).sum() == 1
    too_low = (everything["torque_pct"] < 10) & (everything["sample_type"] != "test")
    assert too_low.sum() == 1


def test_a_realistic_plant_with_nobody_real_in_it(everything: pd.DataFrame) -> None:
    assert set(everything["operator"]) == {"HV", "RD", "LK", "JÄ"}
    assert set(everything["instrument"]) == {"V1", "V2"}
    assert set(everything["product"]) == {
        "WB-110", "WB-240", "WB-360", "CF-500", "CF-2000", "water",
    }  # fmt: skip
    assert everything["at"].min() >= pd.Timestamp(2026, 5, 25)
    assert everything["at"].max() < pd.Timestamp(2026, 11, 21)
    assert everything["at"].dt.day_of_week.max() == 4
    comments = " ".join(set(everything["comment"]))
    assert not re.search(r"@|https?:|GmbH|Ltd|Inc\b|/\w+/", comments)


def test_each_product_has_many_batches_on_one_line_and_mainly_one_instrument(
    batches: pd.DataFrame,
) -> None:
    assert batches["product"].value_counts().to_dict() == {
        "WB-240": 130,
        "WB-110": 104,
        "WB-360": 78,
    }
    for product, line, instrument in (
        ("WB-110", "L1", "V2"),
        ("WB-240", "L2", "V1"),
        ("WB-360", "L3", "V1"),
    ):
        mine = of(batches, product)
        assert 0.85 < (mine["line"] == line).mean() < 1.0
        assert 0.65 < (mine["instrument"] == instrument).mean() < 0.9


def test_batches_and_beakers_scatter_as_in_practice(batches: pd.DataFrame) -> None:
    for product, before_week in (("WB-110", 26), ("WB-240", 20), ("WB-360", 13)):
        mine = of(batches, product)
        quiet = mine[mine["week"] < before_week]["mean"]
        assert 2.4 < 100 * quiet.std() / quiet.mean() < 3.6
        ratio = np.log(mine["high"] / mine["low"])[mine["n"] == 2]
        ratio = ratio[ratio < 0.022]  # without the retested batch
        assert 0.45 < 100 * np.sqrt((ratio**2).mean() / 2) < 0.75


def test_torque_and_viscosity_disagree_only_where_fingers_slipped(
    everything: pd.DataFrame,
) -> None:
    wrong = everything[torque_disagrees(everything)]
    assert [tuple(row) for row in wrong[["batch", "replicate", "viscosity"]].to_numpy()] == [
        ("N3985", "2", "18720"),
        ("N3999", "1", "4820"),
    ]
    assert wrong["torque_pct"].tolist() == [37.4, 42.8]
    assert everything.loc[everything["temp_C"] > 100, "batch"].tolist() == ["N4073"]


def test_the_clear_sealer_is_quiet_and_capable(batches: pd.DataFrame) -> None:
    mine = of(batches, "WB-110")
    values = mine["mean"].to_numpy()
    center, sigma = individuals(values)
    assert beyond_three_sigma(values, center, sigma) == []
    assert ewma_outside(values, center, sigma) == []
    assert zone_runs(values, center, sigma) == []
    moving = np.abs(np.diff(values))
    assert moving.max() < 3.267 * moving.mean()
    spread = (mine["high"] - mine["low"])[mine["n"] > 1]
    assert spread.max() < 3.267 * spread.mean()
    lag1 = np.corrcoef(values[1:], values[:-1])[0, 1]
    assert abs(lag1) < 1.96 / np.sqrt(len(values))
    lower, upper = 755.0, 945.0
    assert min(upper - center, center - lower) / (3 * sigma) == pytest.approx(1.4, abs=0.06)


def test_the_thickener_lot_lifts_the_topcoat(batches: pd.DataFrame, used: pd.DataFrame) -> None:
    mine = of(batches, "WB-240")
    new = mine["lot"] == "T-306"
    first = int(new.idxmax())
    assert new[first:].all()
    assert mine["at"][first].date() == date(2026, 10, 12)
    step = mine["mean"][new].mean() / mine["mean"][~new].mean() - 1
    assert 100 * step == pytest.approx(5.5, abs=0.6)
    # The best single change point by least squares falls on the lot's edge, give or take one.
    values = mine["mean"].to_numpy()
    costs = [
        values[:k].var() * k + values[k:].var() * (len(values) - k)
        for k in range(5, len(values) - 5)
    ]
    assert abs(5 + int(np.argmin(costs)) - first) <= 1
    # The check fluids did not move with it.
    checks = used[(used["sample_type"] == "check") & (used["instrument"] == "V1")]
    for _, fluid in checks.groupby("product"):
        after = fluid["at"] >= "2026-10-12"
        moved = fluid["value"][after].mean() / fluid["value"][~after].mean() - 1
        assert abs(moved) < 0.005
    # Frozen on the hundred batches before, or on all: quiet before, a signal up to the end.
    for base in (values[:first], values):
        center, sigma = individuals(base)
        outside = ewma_outside(values, center, sigma)
        assert first <= outside[0] <= first + 8
        assert outside[-1] == len(values) - 1
        assert beyond_three_sigma(values[:first], center, sigma) == []
    # Performance over everything is about one: inside the specification, but with nothing to spare.
    ppk = min(2150 - values.mean(), values.mean() - 1650) / (3 * values.std(ddof=1))
    assert ppk == pytest.approx(1.1, abs=0.1)


def test_the_stain_base_thins_slowly_on_line_3(batches: pd.DataFrame) -> None:
    mine = of(batches, "WB-360")
    late = mine["week"] >= 13
    values = mine["mean"].to_numpy()
    start = int(late.idxmax())
    on_line = mine[late & (mine["line"] == "L3")]
    level = values[:start].mean()
    slope = np.polyfit(on_line["week"], on_line["mean"], 1)[0]
    assert 100 * slope / level == pytest.approx(-0.6, abs=0.15)
    # The few batches made on L2 meanwhile stayed up: it is the line, not the product.
    elsewhere = mine[late & (mine["line"] == "L2") & (mine["week"] >= 18)]["mean"]
    beside = on_line[on_line["week"] >= 18]["mean"]
    assert len(elsewhere) >= 3
    assert elsewhere.mean() > 1.02 * beside.mean()
    # EWMA and the runs see it before a single point does, with frozen limits and with all data.
    for base in (values[:start], values[:30], values):
        center, sigma = individuals(base)
        outside = ewma_outside(values, center, sigma)
        single = beyond_three_sigma(values, center, sigma)
        assert start + 10 < outside[0] < single[0]
        assert outside[0] <= len(values) - 10
    assert zone_runs(values[start:], *individuals(values[:start]))[0] + start < single[0]


def test_the_warm_bath_moves_all_that_v2_measures_that_week(
    batches: pd.DataFrame, used: pd.DataFrame
) -> None:
    checks = used[used["sample_type"] == "check"]
    for (instrument, fluid), rows in checks.groupby(["instrument", "product"]):
        assert len(rows) == 26
        warm = rows["week"] == 10
        center, sigma = individuals(rows["value"][~warm].to_numpy())
        moved = 100 * (rows["value"][warm].iloc[0] / center - 1)
        others = np.abs(rows["value"][~warm] - center)
        assert others.max() < 3 * sigma
        if instrument == "V2":
            assert moved == pytest.approx({"CF-500": -6.6, "CF-2000": -7.4}[fluid], abs=0.5)
        else:
            assert abs(moved) < 0.6
    week = used[(used["instrument"] == "V2") & (used["week"] == 10)]
    assert set(week["product"]) == {"WB-110", "WB-240", "WB-360", "CF-500", "CF-2000"}
    assert set(week["temp_C"]) == {25.0}  # the display knew nothing
    assert set(used[(used["instrument"] == "V2") & (used["week"] != 10)]["temp_C"]) > {25.0}
    for product, expected, before in (
        ("WB-110", -3.6, 26),
        ("WB-240", -4.6, 20),
        ("WB-360", -3, 13),
    ):
        mine = of(batches, product)
        mine = mine[mine["week"] < before]
        warm = (mine["week"] == 10) & (mine["instrument"] == "V2")
        moved = 100 * (mine["mean"][warm].mean() / mine["mean"][~warm].mean() - 1)
        # As many batches as that week had, each with its own scatter of about 3 %.
        assert moved == pytest.approx(expected, abs=2 * 3 / np.sqrt(warm.sum()))
        assert moved < -1


def test_specifications_are_dated() -> None:
    table = pd.read_csv(FOLDER / "specifications.csv")
    assert table.columns.tolist() == ["product", "lower", "upper", "target", "valid_from", "unit"]
    assert table["product"].value_counts().to_dict() == {"WB-360": 2, "WB-110": 1, "WB-240": 1}
    assert (table["lower"] < table["target"]).all()
    assert (table["target"] < table["upper"]).all()
    assert set(table["unit"]) == {"mPa.s"}


def test_the_database_holds_the_ten_weeks_before(everything: pd.DataFrame) -> None:
    with closing(sqlite3.connect(FOLDER / "lab.sqlite")) as connection:
        table = pd.read_sql("SELECT * FROM readings ORDER BY id", connection)
    assert len(table) == 280
    assert table["tested_at"].is_monotonic_increasing
    assert table["tested_at"].min() > "2026-03-16"
    assert table["tested_at"].max() < "2026-05-23"
    assert table["sample_type"].value_counts().to_dict() == {"product": 240, "check": 40}
    assert not set(table["batch"]) & set(everything["batch"])
    assert set(table["product"]) == {"WB-110", "WB-240", "WB-360", "CF-500", "CF-2000"}
    ratio = table["viscosity"] / (table["torque_pct"] * table["spindle"].map(FACTOR))
    assert table.loc[(ratio - 1).abs() > 0.01, ["batch", "viscosity"]].to_numpy().tolist() == [
        ["N3852", 8670.0]
    ]


def test_every_batch_and_file_the_readme_names_exists(everything: pd.DataFrame) -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    with closing(sqlite3.connect(FOLDER / "lab.sqlite")) as connection:
        archive = {row[0] for row in connection.execute("SELECT batch FROM readings")}
    named = set(re.findall(r"N\d{4}", text))
    assert len(named) > 8
    assert named <= archive | set(everything["batch"])
    assert all((FOLDER / name).exists() for name in re.findall(r"`(\w\S*\.\w+)`", text))
