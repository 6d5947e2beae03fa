"""How wide the window is: a phone shows fewer batches at first."""

import streamlit as st

from dashboard import state

# The browser says something only where the window is another one than was supposed: an answer
# draws the page a second time, and a click in between is lost.
_MEASURE = """
export default function (component) {
  let known = component.data.narrow
  const tell = () => {
    const narrow = window.innerWidth < 640
    document.cookie = `%s=${narrow ? "narrow" : "wide"}; path=/; SameSite=Strict; max-age=31536000`
    if (narrow !== known) component.setStateValue("narrow", narrow)
    known = narrow
  }
  tell()
  window.addEventListener("resize", tell)
  return () => window.removeEventListener("resize", tell)
}
""".replace("%s", state.WIDTH_COOKIE)


def measure() -> None:
    """Measure the window as soon as it is there; called before anything depends on it."""
    component = st.components.v2.component("viscosity_width", html="<span></span>", js=_MEASURE)
    supposed = {"narrow": state.narrow()}
    component(key=state.SCREEN, data=supposed, on_narrow_change=state.keep_width, height=1)
