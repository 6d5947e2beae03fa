"""The server's process: Streamlit, with the first answers worked out while it starts.

`python -m dashboard.server [options of "streamlit run"]`; `viscosity-spc serve` starts it.
"""

import gc
import logging
import sys
import threading
from pathlib import Path

from streamlit.web import cli

_APP = Path(__file__).with_name("app.py")
_NO_SESSION = "streamlit.runtime.scriptrunner_utils.script_run_context"


def main() -> None:
    """Start the server; whoever comes first finds the plant judged already."""
    # what is judged is kept for long: looked through less often, it costs a fifth less to make
    gc.set_threshold(50_000, 20, 50)
    threading.Thread(target=_warm, daemon=True, name="warm").start()
    sys.argv = ["streamlit", "run", str(_APP), *sys.argv[1:]]
    cli.main(prog_name="streamlit")


def _warm() -> None:
    """Fill the caches that the overview reads, as a page without a session would."""
    # Streamlit warns of every cache that is used outside of a session, which is meant here
    logging.getLogger(_NO_SESSION).addFilter(lambda record: record.threadName != "warm")
    from dashboard import cache
    from dashboard.assessment import DEFAULT_RULES
    from dashboard.front import CARDS, Filters
    from ingest import IngestError

    try:
        page = cache.overview(DEFAULT_RULES, Filters())
        cache.pictures(page.cards[:CARDS], "light")
        cache.production_lines()
        cache.pictures(page.cards[:CARDS], "dark")
    except IngestError:  # the page says what is wrong with the store
        return


if __name__ == "__main__":
    main()
