"""A whole export per language, as a lab of that country writes it: decimal marks, words, units."""

from pathlib import Path

import pytest

import ingest
from ingest.headings import LANGUAGES


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_whole_export_is_read(data: Path, language: str, encoding: str) -> None:
    text = (data / f"export_{language}.csv").read_text(encoding="utf-8")
    reading = ingest.read_bytes(text.encode(encoding), "export.csv")
    assert reading.questions == ()
    assert reading.account.not_parsed == {}
    assert reading.rows["reason"].tolist() == [
        *("", "", "", "over_range", "marked_invalid", "test_row", "summary_row"),
    ]
    assert reading.account.closes
    used = reading.rows[reading.rows["reason"] == ""]
    # the three readings by torque x 50 mPa·s per %: 40.2, 39.8 and 20.0 %
    assert used["viscosity"].tolist() == [2010.0, 1990.0, 1000.0]
    assert (used["torque"] * 50).round(6).tolist() == [2010.0, 1990.0, 1000.0]
    assert used["temperature"].tolist() == [25.0, 25.1, 25.0]
    assert used["speed"].tolist() == [20.0, 20.0, 20.0]
    assert used["replicate"].tolist() == [1, 2, 1]
    assert used["sample_type"].tolist() == ["product", "product", "check"]
    assert used["batch"].tolist()[:2] == ["B101", "B101"]
    assert used["lot"].tolist() == ["R1", "R1", ""]
    assert used["line_name"].tolist() == ["L1", "L1", ""]
    assert (used["tested_at"].iat[0], used["sampled_at"].iat[0]) == (1741848120, 1741845600)
    for name in ("product", "instrument", "spindle", "operator", "shift", "comment"):
        assert used[name].iat[0], name
    assert used["extra"].tolist() == ["", "", ""]  # every column is known
