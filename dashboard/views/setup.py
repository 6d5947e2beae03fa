"""Set-up: products as they were seen, and their dated specifications."""

import streamlit as st

from dashboard import cache, escaping, tables, text, widgets
from ingest import IngestError

UNITS = {"mPa.s": "mPa·s", "cP": "cP", "Pa.s": "Pa·s", "P": "P"}


def main() -> None:
    """What the store knows, and what a person has to tell it."""
    st.title("Set-up", anchor=False)
    characteristics = cache.store().characteristics()
    if characteristics.empty:
        widgets.empty_store()
        return
    st.subheader("Products and measuring conditions", anchor=False)
    st.markdown("Each line is one chart. Nothing is pooled across lines.")
    characteristics = characteristics[characteristics["sample_type"] != "other"]  # have no chart
    st.dataframe(
        {
            "Product": characteristics["product"],
            "Measuring condition": characteristics["condition"],
            "Sample type": characteristics["sample_type"],
            "Readings": characteristics["n_readings"],
        },
        hide_index=True,
        width="stretch",
        key="characteristics.table",
    )
    products = characteristics.loc[characteristics["sample_type"] == "product", "product"]
    specifications(sorted(products.unique()))
    st.caption(f"Store: {escaping.markdown(cache.store().url)}")


def specifications(products: list[str]) -> None:
    """Dated specifications: each batch is judged by the one in force when it was made."""
    st.subheader("Specifications", anchor=False)
    held = [one for product in products for one in cache.store().specifications(product)]
    if held:
        st.dataframe(tables.specifications(held), hide_index=True, width="stretch", key="held")
    else:
        st.markdown("No specification is recorded, so nothing can be judged against one.")
    if not products:
        return
    with st.form("specification", border=True):
        st.markdown("**Add a specification**")
        product = st.selectbox("Product", products, key="specification.product")
        first, second, third, fourth = st.columns(4)
        lower = first.number_input("Lower limit", value=None, key="specification.lower")
        upper = second.number_input("Upper limit", value=None, key="specification.upper")
        target = third.number_input("Target", value=None, key="specification.target")
        unit = fourth.selectbox(
            "Unit", list(UNITS), format_func=UNITS.__getitem__, key="specification.unit"
        )
        start = st.date_input(
            "Valid from (empty: from the beginning)",
            value=None,
            key="specification.from",
            format="YYYY-MM-DD",
        )
        if st.form_submit_button("Add"):
            try:
                cache.store().add_specification(
                    product, lower=lower, upper=upper, target=target, valid_from=start, unit=unit
                )
            except IngestError as error:
                st.error(escaping.markdown(error))
            else:
                st.rerun()
    st.caption(f"Values are kept in {text.UNIT}. A limit that does not exist is left empty.")


main()
