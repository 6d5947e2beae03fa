"""Every scenario file through all checks: two files have flags, all others none.

The files were made for this project: in S07 one value is typed with a zero too many and one with
two digits swapped; in S06 four batches are in Pa·s, one of them labelled mPa·s. Their torque is
right, so what was meant is torque x 50 mPa·s per % (spindle S3 at 20 rpm).
"""

from pathlib import Path

import pytest

import ingest

SCENARIOS = sorted((Path(__file__).parents[1] / "spc" / "data").glob("[FS][01]*_*.csv"))
FLAGGED = {"S06_mixed_units": 2, "S07_transcription": 2}


def found_in(reading: ingest.FileReading) -> list[tuple[int, str, str, str, str]]:
    return [
        (one.line, one.batch, one.reason, one.severity, one.proposal) for one in reading.findings
    ]


def test_all_scenarios_are_here() -> None:
    names = [path.stem.partition("_")[0] for path in SCENARIOS]
    assert names == ["F01", "F02", *(f"S{n:02d}" for n in range(1, 13))]


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_nothing_is_flagged_but_what_is_wrong(path: Path, store: ingest.Store) -> None:
    reading = ingest.read_file(path, site=store.site("lab"))
    n = FLAGGED.get(path.stem, 0)
    assert reading.account.set_aside == ({"torque_disagrees": n} if n else {})
    assert reading.account.remarks == {}
    assert reading.account.not_parsed == {}
    assert reading.questions == ()
    assert len(reading.findings) == n


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_nothing_more_is_flagged_beside_a_store_that_knows_the_plant(
    path: Path, store: ingest.Store, data: Path
) -> None:
    for name in ("F01_baseline_duplicates", "F02_levels", "S11_short_runs"):
        known = Path(__file__).parents[1] / "spc" / "data" / f"{name}.csv"
        store.add(ingest.read_file(known, {"instrument": "V1"}), "lab")
    reading = ingest.read_file(path, site=store.site("lab"))
    assert sum(reading.account.set_aside.values()) == FLAGGED.get(path.stem, 0)
    assert reading.account.remarks == {}


def test_s07_two_rows_and_what_may_have_been_meant(data: Path) -> None:
    reading = ingest.read_file(data / "S07_transcription.csv")
    assert found_in(reading) == [
        (
            *(16, "B008", "torque_disagrees", "set aside"),
            "1985 instead of 19850? (a digit too many)",
        ),
        (
            *(25, "B012", "torque_disagrees", "set aside"),
            "1935 instead of 9135? (two digits swapped)",
        ),
    ]
    rows = reading.rows.set_index("line")
    assert rows.loc[[16, 25], "viscosity"].tolist() == [19850.0, 9135.0]  # nothing is changed
    assert rows.loc[[16, 25], "received"].tolist() == ["19850 mPa.s", "9135 mPa.s"]


def test_s06_labels_convert_and_the_wrong_label_is_a_conflict(data: Path) -> None:
    reading = ingest.read_file(data / "S06_mixed_units.csv")
    assert found_in(reading) == [
        (
            *(36, "B018", "torque_disagrees", "set aside"),
            "2000 instead of 2? (Pa·s and mPa·s mixed up)",
        ),
        (
            *(37, "B018", "torque_disagrees", "set aside"),
            "2020 instead of 2.02? (Pa·s and mPa·s mixed up)",
        ),
    ]
    rows = reading.rows
    wrong = rows[rows["batch"] == "B018"]
    assert (wrong["viscosity"] / wrong["torque"]).round(4).tolist() == [0.05, 0.05]
    for batch in ("B005", "B010", "B016"):
        converted = rows[rows["batch"] == batch]
        assert (converted["viscosity"] / converted["torque"]).round().tolist() == [50.0, 50.0]


def test_what_was_proposed_is_kept_with_the_reason(any_store: ingest.Store, data: Path) -> None:
    any_store.add(ingest.read_file(data / "S07_transcription.csv"))
    assert any_store.set_aside()["detail"].tolist() == [
        "torque 39.7 % says about 1985, recorded 19850 mPa·s: 1985 instead of 19850? (a digit too "
        "many)",
        "torque 38.7 % says about 1935, recorded 9135 mPa·s: 1935 instead of 9135? (two digits "
        "swapped)",
    ]
