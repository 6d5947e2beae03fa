"""One spelling for a spindle number: 3, S3, SP03 and "Spindle 3" are one spindle."""

import re

import pyarrow as pa

from ingest.coded import Coded, coded

_SPELLED = re.compile(
    r"(?:s|sp|spdl|spindle|spindel|no|nr|#)?[\s.:_-]*(?:no|nr|#)?[\s.:_-]*0*([1-9]\d?)(?:[.,]0)?",
    re.IGNORECASE,
)


def spindle_name(text: str) -> str:
    """The number of a spindle as S3; other names of spindles stay as they are."""
    found = _SPELLED.fullmatch(text.strip())
    return f"S{found[1]}" if found else text


def spindle_names(texts: Coded) -> Coded:
    """Every spindle of a column under its one spelling."""
    known = coded(pa.array([spindle_name(text) for text in texts.texts.to_pylist()], pa.string()))
    return Coded(known.codes[texts.codes], known.texts)
