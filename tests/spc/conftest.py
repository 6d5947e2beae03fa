"""Data for the statistics tests: copies in data/, and one folder that cannot be copied."""

import csv
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import settings

# A busy machine is no failed law; the laws are cheap and many.
settings.register_profile("laws", deadline=None, max_examples=60)
settings.load_profile("laws")

HERE = Path(__file__).parent
DATA = HERE / "data"
# The one look outside the repository: reference sets that may be read but not copied.
BESIDE = HERE.parents[2] / "shared" / "reference"
NOT_COPIED = Path(os.environ.get("VISCOSITY_SPC_REFERENCE", BESIDE))

Rows = list[dict[str, str]]


def _rows(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="session")
def table() -> Callable[[str], Rows]:
    """Rows of data/NAME.csv, everything as text."""
    return lambda name: _rows(DATA / f"{name}.csv")


@pytest.fixture(scope="session")
def batches() -> Callable[[str], list[np.ndarray]]:
    """Readings of the product batches of a scenario, in file order."""

    def read(name: str) -> list[np.ndarray]:
        groups: dict[str, list[float]] = {}
        for row in _rows(DATA / f"{name}.csv"):
            if row["sample_type"] == "product":
                groups.setdefault(row["batch"], []).append(float(row["viscosity"]))
        return [np.array(group) for group in groups.values()]

    return read


@pytest.fixture(scope="session")
def not_copied_folder() -> Path:
    """Folder of the reference sets that are not part of the repository."""
    if not NOT_COPIED.is_dir():
        pytest.skip(
            "reference sets that may not be copied are not beside the repository: "
            "VISCOSITY_SPC_REFERENCE names their folder"
        )
    return NOT_COPIED


@pytest.fixture(scope="session")
def not_copied(not_copied_folder: Path) -> Callable[[str], tuple[np.ndarray, dict[str, Any]]]:
    """Data and certified values of a reference set that is not part of the repository."""

    def read(name: str) -> tuple[np.ndarray, dict[str, Any]]:
        rows = _rows(not_copied_folder / f"{name}.csv")
        column = list(rows[0])[-1]
        entry = json.loads((not_copied_folder / f"{name}.json").read_text(encoding="utf-8"))
        return np.array([float(row[column]) for row in rows]), entry

    return read
