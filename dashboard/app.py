"""The dashboard: `streamlit run dashboard/app.py`, or `viscosity-spc serve`."""

from pathlib import Path

import streamlit as st

from dashboard import cache, escaping, plain_table
from dashboard.catalog import PAGES
from ingest import IngestError


def main() -> None:
    """Set the page up, check that the store opens, and run the page that was asked for."""
    # a file of ours: an emoji or a named icon would be fetched from the internet by the browser
    icon = str(Path(__file__).with_name("icon.svg"))
    st.set_page_config(page_title="Viscosity SPC", page_icon=icon, layout="wide")
    st.html(plain_table.STYLE)
    pages = [
        st.Page(
            f"views/{row.file}",
            title=row.title,
            url_path=row.url_path,
            icon=row.icon,
            default=number == 0,
        )
        for number, row in enumerate(PAGES)
    ]
    page = st.navigation(pages, position="top")
    try:
        cache.store().revision()
    except IngestError as error:
        st.error(escaping.markdown(error))
        st.stop()
    page.run()


main()
