"""The only place that touches session state and the address: choices and ids, never results."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import streamlit as st

from dashboard.assessment import DEFAULT_RULES, RULE_SETS
from dashboard.figures import POINT

CHARACTERISTIC = "characteristic"
RULES = "rules"
CHART = "chart"
SUBGROUPS = "subgroups"
BATCH = "batch"
_KEPT = "kept."
_BATCH_OF = "batch.of"
_ANSWERS = "answers"


@dataclass(frozen=True, slots=True)
class Settings:
    """What a person has chosen that more than one page needs."""

    rules: str


def load() -> Settings:
    """Read the choices, with the defaults for those not yet made."""
    rules = st.session_state.get(_KEPT + RULES, DEFAULT_RULES)
    return Settings(rules if rules in RULE_SETS else DEFAULT_RULES)


def prepare(key: str, options: Sequence[Any], default: Any) -> None:
    """Before a widget is drawn: give it the value it had when it was last on a page.

    Streamlit forgets a widget when a run does not draw it, and on every change of page.
    """
    value = st.session_state.get(key, st.session_state.get(_KEPT + key, default))
    st.session_state[key] = value if value in options else default


def prepare_batch(characteristic_id: int, n: int) -> None:
    """Before the choice of a batch is drawn: the newest one, when the product is another one."""
    if st.session_state.get(_KEPT + _BATCH_OF) != characteristic_id:
        st.session_state[_KEPT + _BATCH_OF] = characteristic_id
        st.session_state[BATCH] = n - 1
    prepare(BATCH, range(n), n - 1)


def keep(key: str) -> Any:
    """After a widget is drawn: remember its value for other pages."""
    st.session_state[_KEPT + key] = st.session_state[key]
    return st.session_state[key]


def from_address(key: str, options: Sequence[int]) -> None:
    """On arrival at a page: take the choice that its address names, if there is such a one."""
    named = st.query_params.get(key, "")
    if key not in st.session_state and named.isdecimal() and int(named) in options:
        st.session_state[key] = int(named)


def to_address(key: str) -> None:
    """Name the choice in the address, so that the view can be sent."""
    value = str(st.session_state[key])
    if st.query_params.get(key) != value:
        st.query_params[key] = value


def answers(digest: str) -> dict[str, str]:
    """What a person has said about the file with this digest."""
    return dict(st.session_state.get(_ANSWERS, {}).get(digest, {}))


def answer(digest: str, given: Mapping[str, str]) -> None:
    """Remember what a person has said about a file, beside what was said before."""
    held = st.session_state.get(_ANSWERS, {})
    st.session_state[_ANSWERS] = {**held, digest: {**held.get(digest, {}), **given}}


def forget_answers(digest: str) -> None:
    """Callback: read a file as if nothing had been said about it."""
    held = st.session_state.get(_ANSWERS, {})
    st.session_state[_ANSWERS] = {key: said for key, said in held.items() if key != digest}


def choose_clicked_batch(figure_key: str, first: int) -> None:
    """Callback of a figure: the batch whose point was clicked becomes the chosen one.

    Args:
        figure_key: key of the figure's widget.
        first: position of the figure's first batch among all batches.
    """
    selection = st.session_state[figure_key].selection
    points = selection.get(POINT, [])
    if points:
        st.session_state[BATCH] = first + int(points[0]["i"])


def ground() -> str:
    """Whether the page is light or dark now."""
    return st.context.theme.type or "light"
