"""The house: who may import whom, what may not be where, and that lists and texts agree."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("spc", "ingest", "dashboard")
ALLOWED = {
    "spc": {"numpy", "scipy"},
    "ingest": {
        *("numpy", "pandas", "pint", "platformdirs", "pyarrow", "sqlalchemy"),
        *("alembic", "keyring", "openpyxl", "psycopg"),
    },
    "dashboard": {
        *("ingest", "spc", "numpy", "pandas", "sample_data"),
        *("altair", "streamlit", "typer", "platformdirs", "pyarrow", "vl_convert"),
        *("apprise", "jinja2", "openpyxl", "reportlab"),
    },
}
DRAWS = {"app.py", "state.py", "cache.py", "widgets.py", "server.py"}
DRAWS |= {"cache_measuring.py", "cache_review.py"}


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: import by full name"
            yield node.module or ""


@pytest.mark.parametrize("package", PACKAGES)
def test_data_walk_one_way(package: str) -> None:
    allowed = ALLOWED[package] | {package} | set(sys.stdlib_module_names)
    for path in modules(package):
        foreign = {name.split(".")[0] for name in imports(path)} - allowed
        assert not foreign, f"{path.relative_to(ROOT)} may not import {sorted(foreign)}"


def test_only_pages_draw_with_streamlit() -> None:
    for path in modules("dashboard"):
        may_draw = path.parent.name == "views" or path.name in DRAWS
        if not may_draw:
            assert not any(name.split(".")[0] == "streamlit" for name in imports(path)), path


def test_pages_hold_no_formulas_and_no_sql() -> None:
    for path in (ROOT / "dashboard" / "views").glob("*.py"):
        used = {name.split(".")[0] for name in imports(path)}
        assert not used & {"numpy", "sqlalchemy", "scipy"}, path


def test_spc_is_light_to_import() -> None:
    program = "import sys, spc; print('scipy.stats' in sys.modules, 'pandas' in sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert told.stdout.split() == ["False", "False"]


def test_the_command_line_is_light_to_import() -> None:
    program = "import sys, dashboard.cli; print([m in sys.modules for m in ('streamlit','scipy')])"
    told = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert told.stdout.strip() == "[False, False]"


def test_the_top_level_holds_what_the_design_names() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.stdout.split()}
    assert {name for name in top if not name.startswith(".")} <= {
        *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"),
        *("dashboard", "spc", "ingest", "tests", "sample_data"),
    }


@pytest.mark.parametrize("package", PACKAGES)
def test_files_hold_one_subject(package: str) -> None:
    for path in modules(package):
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 450, f"{path.relative_to(ROOT)} has {lines} lines: what else does it hold?"


def test_no_markup_carries_data() -> None:
    for path in modules("dashboard"):
        assert "unsafe_allow_html" not in path.read_text(encoding="utf-8"), path
