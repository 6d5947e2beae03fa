"""A real Chromium on the dashboard, started as a user starts it."""

import os
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

from dashboard.serving import STORE_VARIABLE  # noqa: E402 - not without Playwright
from tests.browser.servers import SERVER, DemoStore, running  # noqa: E402 - not without Playwright
from tests.browser.steps import NOTE_CHANGES  # noqa: E402

playwright.expect.set_options(timeout=30_000)  # ms; other tests keep the processors busy

CHROMIUM = os.environ.get("VISCOSITY_SPC_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DEMO = [sys.executable, "-m", "dashboard.cli", "demo", "--no-open", "--port", "{port}"]


@pytest.fixture(scope="session")
def demo() -> Iterator[str]:
    """The address of a running demo, started by the command that the README gives.

    All tests of a process read it; whoever decides or imports something takes `site` or `plant`.
    """
    with running(DEMO, politely=True) as address:
        yield address


@pytest.fixture(scope="session")
def demo_store(tmp_path_factory: pytest.TempPathFactory) -> DemoStore:
    return DemoStore(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="session")
def site(demo_store: DemoStore, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A demo plant in which something may be decided that no other test looks at."""
    with demo_store.served(tmp_path_factory.mktemp("site")) as address:
        yield address


@pytest.fixture
def plant(demo_store: DemoStore, tmp_path: Path) -> Iterator[str]:
    """A demo plant that nobody has decided anything in."""
    with demo_store.served(tmp_path) as address:
        yield address


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[str]:
    """A dashboard on a store that was never imported into."""
    with running(SERVER, {STORE_VARIABLE: str(tmp_path / "new.sqlite")}) as address:
        yield address


@pytest.fixture(scope="session")
def chromium() -> Iterator["playwright.Browser"]:
    if not Path(CHROMIUM).exists():
        if os.environ.get("VISCOSITY_SPC_REQUIRE_ALL"):
            pytest.fail(f"a browser is required here but there is none at {CHROMIUM}")
        pytest.skip(f"no Chromium at {CHROMIUM} (set VISCOSITY_SPC_CHROMIUM)")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def browsers(chromium: "playwright.Browser") -> Callable[[int, str], "playwright.BrowserContext"]:
    """One browser profile for each width and ground: what it has fetched once, it keeps."""
    held: dict[tuple[int, str], playwright.BrowserContext] = {}

    def profile(width: int, ground: str = "light") -> "playwright.BrowserContext":
        if (width, ground) not in held:
            size = {"width": width, "height": 1000}
            context = chromium.new_context(viewport=size, color_scheme=ground)
            context.add_init_script(NOTE_CHANGES)
            context.set_default_timeout(30_000)
            held[width, ground] = context
        return held[width, ground]

    return profile


@pytest.fixture(params=[1280, 390], ids=["desktop", "phone"])
def page(
    request: pytest.FixtureRequest,
    browsers: Callable[[int], "playwright.BrowserContext"],
) -> Iterator["playwright.Page"]:
    """A page of desktop and of phone width; an error on its console fails the test."""
    for server in {"plant", "empty"} & set(request.fixturenames):
        request.getfixturevalue(server)  # first, so that it ends after the page that reads it
    opened = browsers(request.param).new_page()
    errors: list[str] = []
    opened.on("console", lambda message: errors.extend(error_of(message)))
    opened.on("pageerror", lambda error: errors.append(str(error)))
    yield opened
    if getattr(request.node, "has_failed", False):
        print(
            f"The page at {opened.url} says:\n{opened.get_by_test_id('stMain').all_inner_texts()}"
        )
    opened.close()
    assert errors == []


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    """Note a failure, so that what the page said then is printed with it."""
    report = yield
    if report.when == "call" and report.failed:
        item.has_failed = True  # type: ignore[attr-defined]
    return report


def error_of(message: "playwright.ConsoleMessage") -> list[str]:
    """What a message on the console says, if it is an error that our own code can cause.

    Opened at the address of a page, Streamlit's script asks first below that page, then at the
    root, whether the server is well and how it is set up. The first answer is a 404, which no
    setting prevents. Exactly these two addresses are let pass.
    """
    address = message.location.get("url", "")
    own = re.fullmatch(r"http://[^/]+/[a-z-]+/_stcore/(health|host-config)", address)
    if message.type != "error" or (own and "404 (Not Found)" in message.text):
        return []
    return [f"{message.text} {address}"]
