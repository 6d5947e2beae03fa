"""What the tests of the pages share: the invented plant, made once and copied."""

import shutil
from datetime import datetime
from pathlib import Path

import pytest

import ingest
from dashboard.serving import build_demo_store


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The store of the invented plant, only to be looked at, and the time of its last reading."""
    url, as_of = build_demo_store(tmp_path_factory.mktemp("demo") / "demo.sqlite")
    return url, as_of.isoformat()


@pytest.fixture
def own_demo(demo: tuple[str, str], tmp_path: Path) -> tuple[str, datetime]:
    """A copy of it for one test, with the laboratory's database beside it."""
    url = str(tmp_path / "demo.sqlite")
    held = ingest.open_store(demo[0])
    ingest.backup(held, url)
    held.close()
    for name in ("lab.sqlite", ingest.SOURCES_FILE):
        shutil.copyfile(Path(demo[0].removeprefix("sqlite:///")).parent / name, tmp_path / name)
    return f"sqlite:///{url}", datetime.fromisoformat(demo[1])
