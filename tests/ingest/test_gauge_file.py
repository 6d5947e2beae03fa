"""A gauge study as a file: every line a row or named with its reason."""

import pytest

import ingest


def test_a_plain_study() -> None:
    text = "part,appraiser,value\nA,X,10.5\nA,Y,10\n\nB,X,11\n"
    found = ingest.read_gauge_study(text.encode(), "study.csv")
    assert found.rows.to_dict("list") == {
        "line": [2, 3, 5],
        "part": ["A", "A", "B"],
        "appraiser": ["X", "Y", "X"],
        "value": [10.5, 10.0, 11.0],
    }
    assert found.faults == ()
    assert found.questions == ()


def test_german_headings_a_preamble_and_a_decimal_comma() -> None:
    text = "Studie März\n\nTeil;Prüfer;Messwert (mPa·s)\n1;AK;2010,5\n1;BM;2.011,0\n"
    found = ingest.read_gauge_study(text.encode("cp1252"), "studie.csv")
    assert found.rows["value"].tolist() == [2010.5, 2011.0]
    assert found.rows["part"].tolist() == ["1", "1"]
    told = {one.what: one.value for one in found.understood}
    assert (told["decimal mark"], told["header"], told["encoding"]) == (
        "comma",
        "line 3",
        "Latin-1",
    )


def test_what_the_file_leaves_open_is_asked() -> None:
    raw = b"part;value\nA;2,010\nB;2,020\n"
    found = ingest.read_gauge_study(raw, "s.csv")
    assert [one.field for one in found.questions] == ["decimal_mark"]
    assert found.rows.empty
    asked = ingest.read_gauge_study(raw, "s.csv", {"decimal_mark": "comma"})
    assert asked.rows["value"].tolist() == [2.01, 2.02]
    other = ingest.read_gauge_study(raw, "s.csv", {"decimal_mark": "point"})
    assert other.rows["value"].tolist() == [2010.0, 2020.0]


def test_lines_that_cannot_be_used_are_named() -> None:
    text = 'part,appraiser,value\nA,X,OVER\nA,X\nA,,5\n"A,X,5\nA,X,5,7\nA,X,-3\nA,X,nan\nA,X,6\n'
    found = ingest.read_gauge_study(text.encode(), "s.csv")
    assert found.rows["value"].tolist() == [6.0]
    assert sorted(found.faults) == [
        "Line 2: 'OVER' is not a value above 0.",
        "Line 3: 2 cells where the header has 3.",
        "Line 4: no appraiser.",
        "Line 5: a quotation mark or a NUL byte in the wrong place.",
        "Line 6: 4 cells where the header has 3.",
        "Line 7: '-3' is not a value above 0.",
        "Line 8: 'nan' is not a value above 0.",
    ]


@pytest.mark.parametrize("raw", [b"", b"x,y\n1,2\n", b"\x89PNG\r\n", b"part,value\n" * 20_001])
def test_what_is_no_study_is_one_sentence(raw: bytes) -> None:
    with pytest.raises(ingest.IngestError) as caught:
        ingest.read_gauge_study(raw, "s.csv")
    assert "\n" not in str(caught.value)


def test_a_header_alone_is_no_row() -> None:
    assert ingest.read_gauge_study(b"part,value\n", "s.csv").rows.empty
