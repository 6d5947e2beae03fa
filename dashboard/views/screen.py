"""How wide the window is: a phone shows fewer batches at first."""

import streamlit as st

from dashboard import state

_MEASURE = """
export default function (component) {
  const tell = () => component.setStateValue("width", window.innerWidth < 640 ? 390 : 1280)
  tell()
  window.addEventListener("resize", tell)
  return () => window.removeEventListener("resize", tell)
}
"""


def measure() -> None:
    """Measure the window as soon as it is there; called before anything depends on it."""
    component = st.components.v2.component("viscosity_width", html="<span></span>", js=_MEASURE)
    told = component(key="screen", on_width_change=lambda: None, height=1)
    if told.width is not None:
        state.measured_width(told.width)
