"""The notebook in sample_data: run anew it says the same, and its numbers are right."""

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ingest
import sample_data
from dashboard.serving import import_demo
from sample_data import make_notebook

FILE = Path(sample_data.__file__).parent / make_notebook.NAME
ROOT = Path(__file__).parents[2]
PICTURE = "image/svg+xml"


def cells(notebook: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [cell for cell in notebook["cells"] if cell["cell_type"] == kind]


def outputs(notebook: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for cell in cells(notebook, "code") for one in cell["outputs"]]


def told(notebook: dict[str, Any]) -> str:
    return "".join("".join(one.get("text", "")) for one in outputs(notebook))


@pytest.fixture(scope="module")
def held() -> dict[str, Any]:
    return json.loads(FILE.read_text(encoding="utf-8"))


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::RuntimeWarning")
def test_run_anew_it_says_the_same(held: dict[str, Any]) -> None:
    anew = json.loads(make_notebook.written(make_notebook.executed()))
    assert told(anew) == told(held)
    for notebook in (anew, held):  # the drawing library may draw a line otherwise in a new version
        pictures = [one["data"].pop(PICTURE) for one in outputs(notebook) if "data" in one]
        assert len(pictures) == 1
        assert "".join(pictures[0]).startswith("<svg")
    assert anew == held


def test_the_file_is_small_and_holds_nothing_of_a_machine(held: dict[str, Any]) -> None:
    raw = FILE.read_text(encoding="utf-8")
    assert len(raw.encode()) < 300_000
    assert not re.search(r"/(home|root|tmp|work|Users)/|\\\\Users|site-packages", raw)
    assert held["metadata"] == {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    assert all(cell["metadata"] == {} for cell in held["cells"])
    assert not [one for one in outputs(held) if one["output_type"] == "error"]


def test_it_shows_how_an_engineer_goes_on(held: dict[str, Any]) -> None:
    code = "\n".join("".join(cell["source"]) for cell in cells(held, "code"))
    assert "from dashboard.figures import control_chart" in code
    assert "from spc import (" in code
    said = told(held)
    for word in ("limits", "beyond 3 sigma", "most likely from", "Ppk", "Cpk"):
        assert word in said
    assert "Decision aid." in FILE.read_text(encoding="utf-8")


def test_its_limits_are_those_of_plain_arithmetic(held: dict[str, Any], tmp_path: Path) -> None:
    """Mean, and mean moving range ÷ 1.128 (d2 for pairs, in every table of chart factors) × 3."""
    store = ingest.open_store(str(tmp_path / "demo.sqlite"))
    for _ in import_demo(store):
        pass
    named = store.characteristics()
    mine = named[(named["product"] == "WB-240") & (named["sample_type"] == "product")]
    frame = store.batches(int(mine["id"].iloc[0]))
    store.close()
    means = frame["mean"].to_numpy()[:60]
    moving = np.abs(np.diff(means)).mean()
    reach = 3 * moving / 1.128
    found = re.search(r"limits +([\d.]+) to ([\d.]+) mPa·s", told(held))
    assert found is not None
    assert float(found[1]) == pytest.approx(means.mean() - reach, abs=0.1)
    assert float(found[2]) == pytest.approx(means.mean() + reach, abs=0.1)
    # the plant was made with a step of 5.5 % at N4162, see README.md there
    step = re.search(r"most likely from (N\d+) on", told(held))
    size = re.search(r"\+([\d.]+) mPa·s \(\+([\d.]+) to \+([\d.]+)\)", told(held))
    assert step is not None
    assert size is not None
    assert step[1] == "N4162"
    assert float(size[2]) < 0.055 * 1900 < float(size[3])


def test_figures_need_no_streamlit() -> None:
    program = "import sys; from dashboard.figures import control_chart\n"
    program += "import spc; control_chart(spc.individuals([10.0, 12.0, 11.0]).location)\n"
    program += "print('streamlit' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "False"
