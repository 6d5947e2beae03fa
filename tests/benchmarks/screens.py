"""How long a person waits for a page, in a real browser on a store of a whole plant.

    python tests/benchmarks/screens.py STORE [SESSIONS]

STORE is the path of a SQLite store, or a number of characteristics to make one with (2,500 readings
each). Printed: from the start of the server to its answer, the first overview after it, overviews
in further new browser sessions, a reload, chart pages, clicks on points, the batch page, so many
sessions at once, and the memory of the server. "Complete" means that the page has its last line and
nothing is running.
"""

import asyncio
import os
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.asyncio.client import connect

CHROMIUM = os.environ.get("VISCOSITY_SPC_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
ARGUMENTS += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]
COMPLETE = """() => {
  const app = document.querySelector('[data-testid=stApp]');
  const text = document.querySelector('[data-testid=stMain]')?.innerText || '';
  const charts = document.querySelectorAll('[data-testid=stVegaLiteChart]');
  const drawn = [...charts].every(one => one.querySelector('svg, canvas'));
  return app && app.getAttribute('data-test-script-state') === 'notRunning'
    && text.includes('authorised person') && drawn;
}"""


def make_store(path: Path, n: int) -> None:
    """A plant of n products, 1,250 batches of two readings each."""
    import ingest

    random = np.random.default_rng(5)
    rows = ["batch,product,replicate,viscosity,unit,instrument,tested_at,line"]
    for product in range(n):
        means = 2000 + 60 * random.standard_normal(1250)
        values = means[:, None] + 12 * random.standard_normal((1250, 2))
        for batch, pair in enumerate(values):
            at = np.datetime64("2025-01-01T06:00") + np.timedelta64(7 * batch, "h")
            rows += [
                f"K{batch:05},P-{product:03},{i},{value:.0f},mPa.s,V{product % 4},{at}Z,"
                f"L{product % 3}"
                for i, value in enumerate(pair, 1)
            ]
    store = ingest.open_store(str(path))
    store.add(ingest.read_bytes("\n".join(rows).encode(), "plant.csv", {}))
    store.close()


def complete(page: Page, address: str) -> float:
    """Seconds until a page is complete."""
    began = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.wait_for_function(COMPLETE, timeout=180_000, polling=20)
    return time.perf_counter() - began


def fresh(browser: Browser, address: str) -> float:
    """The same in a browser session of its own."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    try:
        return complete(context.new_page(), address)
    finally:
        context.close()


def at_once(browser: Browser, address: str, n: int) -> list[float]:
    """Seconds until each of n sessions that begin together is complete."""
    contexts = [browser.new_context(viewport={"width": 1280, "height": 900}) for _ in range(n)]
    pages = [context.new_page() for context in contexts]
    began = time.perf_counter()
    for page in pages:
        page.goto(address, wait_until="commit")
    waiting, took = set(range(n)), {}
    while waiting and time.perf_counter() - began < 180:
        for number in list(waiting):
            if pages[number].evaluate(COMPLETE):
                took[number] = time.perf_counter() - began
                waiting.discard(number)
    for context in contexts:
        context.close()
    assert not waiting, f"{len(waiting)} sessions were not complete after 180 s"
    return list(took.values())


def answers(address: str, n: int) -> list[float]:
    """Seconds until the server has sent n sessions, begun together, all of the overview.

    No browser in between: ten of them on one machine keep it busier than the server.
    """
    stream = address.replace("http", "ws", 1) + "/_stcore/stream"
    with ThreadPoolExecutor(1) as beside:  # Playwright has a loop of its own in this thread
        return beside.submit(lambda: asyncio.run(_answers(stream, n))).result()


def one_of(browser: Browser, address: str, n: int) -> float:
    """Seconds until a new session in a browser is complete, while n - 1 others begin with it.

    The others have no browser on this machine, as people at other desks have not.
    """
    stream = address.replace("http", "ws", 1) + "/_stcore/stream"
    with ThreadPoolExecutor(1) as beside:
        others = beside.submit(lambda: asyncio.run(_answers(stream, n - 1)))
        took = fresh(browser, address)
        others.result()
    return took


async def _answers(address: str, n: int) -> list[float]:
    async def one() -> float:
        began = time.perf_counter()
        async with connect(address, max_size=None, subprotocols=["streamlit"]) as socket_:
            asked = BackMsg()
            asked.rerun_script.query_string = ""
            await socket_.send(asked.SerializeToString())
            while True:
                told = ForwardMsg()
                told.ParseFromString(await socket_.recv())
                if told.WhichOneof("type") == "script_finished":
                    return time.perf_counter() - began

    return list(await asyncio.gather(*(one() for _ in range(n))))


def charts(page: Page, address: str) -> None:
    """Chart pages by their address, and clicks on points, each until the page is complete."""
    numbers = [int(one) for one in page.evaluate(CARDS) or ["1"]]
    first = [complete(page, f"{address}/control-chart?characteristic={n}") for n in numbers[:5]]
    say_all("chart page of a product that nobody has opened", first)
    shown = f"{address}/control-chart?characteristic={numbers[0]}"
    say_all("chart page again, loaded anew", [complete(page, shown) for _ in range(5)])
    took = []
    for step in range(2, 7):
        points = page.locator("[data-testid=stVegaLiteChart] path[aria-label^='Batch ']")
        batch = re.match(r"Batch (\S+?)[,:;]", points.nth(step).get_attribute("aria-label") or "")
        assert batch, "a point does not say which batch it is"
        began = time.perf_counter()
        points.nth(step).click(force=True)
        page.get_by_text(re.compile(f"^{re.escape(batch[1])}: ")).wait_for()
        took.append(time.perf_counter() - began)
    say_all("click on a point until its batch is told", took)


CARDS = """() => [...document.querySelectorAll("a[href*='characteristic=']")]
  .filter(one => one.href.includes('control-chart'))
  .map(one => new URL(one.href).searchParams.get('characteristic'))"""


def memory(pid: int) -> float:
    """Resident memory of a process in MB (Linux)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024
    return float("nan")


def cpu(pid: int) -> float:
    """Processor time that a process has used, in seconds (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def start(store: str, port: int) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "dashboard.server", "--server.port", str(port)]
    environment = os.environ | {"VISCOSITY_SPC_STORE": store}
    return subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)


def say(what: str, seconds: float, more: str = "") -> None:
    print(f"{what:<58}{seconds:>8.2f} s  {more}", flush=True)


def say_all(what: str, taken: list[float]) -> None:
    """The median of what was measured, its ends, and how busy the machine was meanwhile."""
    load = f"{min(taken):.2f} to {max(taken):.2f}, n = {len(taken)}; load {os.getloadavg()[0]:.1f}"
    say(f"{what}, median", statistics.median(taken), load)


def main(store: str, sessions: int) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    load = "load of the machine {:.1f} on {} processors"
    print(load.format(os.getloadavg()[0], os.cpu_count()))
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        fresh(
            browser,
            "data:text/html,<div data-testid=stApp data-test-script-state=notRunning>"
            "<div data-testid=stMain>authorised person</div></div>",
        )
        began = time.perf_counter()
        server = start(store, port)
        try:
            while True:
                with socket.socket() as probe:
                    if probe.connect_ex(("127.0.0.1", port)) == 0:
                        break
                time.sleep(0.02)
            say("server answers after", time.perf_counter() - began)
            say("first overview after that (cold)", fresh(browser, address))
            say("from the start of the server to that", time.perf_counter() - began)
            say("processor time of the server so far", cpu(server.pid))
            used = cpu(server.pid)
            warm = [fresh(browser, address) for _ in range(5)]
            spent = (cpu(server.pid) - used) / 5
            say(
                "overview in a new session (warm), median of 5",
                statistics.median(warm),
                f"{min(warm):.2f} to {max(warm):.2f}; server {spent:.2f} s of processor each",
            )
            context = browser.new_context(viewport={"width": 1280, "height": 900})
            page = context.new_page()
            complete(page, address)
            say("the same session loads it again", complete(page, address))
            charts(page, address)
            complete(page, address)
            link = page.get_by_role("link", name="Batch", exact=True)
            for name in ("Batch page by its link in the menu, first", "again, after the overview"):
                clicked = time.perf_counter()
                link.click()
                page.get_by_role("heading", level=1, name="Batch").wait_for()
                page.wait_for_function(COMPLETE, timeout=60_000, polling=20)
                say(name, time.perf_counter() - clicked)
                page.get_by_role("link", name="Overview", exact=True).click()
                page.wait_for_function(COMPLETE, timeout=60_000, polling=20)
            context.close()
            say("memory of the server, MB", memory(server.pid))
            used = cpu(server.pid)
            taken = at_once(browser, address, sessions)
            say(
                f"{sessions} sessions at once, median",
                statistics.median(taken),
                f"{min(taken):.2f} to {max(taken):.2f}; server "
                f"{(cpu(server.pid) - used) / sessions:.2f} s of processor each",
            )
            alone = statistics.median(answers(address, 1)[0] for _ in range(5))
            say("the server alone, one session", alone)
            together = answers(address, sessions)
            say(
                f"the server alone, {sessions} sessions at once, median",
                statistics.median(together),
                f"{min(together):.2f} to {max(together):.2f}",
            )
            say_all(
                f"one in a browser while {sessions - 1} more begin",
                [one_of(browser, address, sessions) for _ in range(5)],
            )
            say("memory of the server then, MB", memory(server.pid))
        finally:
            server.terminate()
            server.wait(timeout=20)
            browser.close()


if __name__ == "__main__":
    given = sys.argv[1] if len(sys.argv) > 1 else "200"
    many = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    if given.isdecimal():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "plant.sqlite"
            make_store(path, int(given))
            main(str(path), many)
    else:
        main(given, many)
