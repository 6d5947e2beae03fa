"""The only place that touches session state and the address: choices and ids, never results."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import streamlit as st

from dashboard.assessment import DEFAULT_RULES, RULE_SETS
from dashboard.figures import POINT, STRETCH

CHARACTERISTIC = "characteristic"
RULES = "rules"
CHART = "chart"
SUBGROUPS = "subgroups"
BATCH = "batch"
NAME = "name"
EVENT = "event"
NAMES = "investigation.names"
WINDOW = "window"
STRETCH_CHOICE = "last"
LAST = {"last 30": 30, "last 60": 60, "last 200": 200, "all": None}
SHOWN_AT_FIRST, SHOWN_ON_A_PHONE = "last 60", "last 30"
_KEPT = "kept."
_BATCH_OF = "batch.of"
_ANSWERS = "answers"
_NARROW = "narrow"
SCREEN = "screen"
WIDTH_COOKIE = "viscosity_spc_window"
CARDS_PAGE = "cards"
TRACED = "trace.batch"
_FILTER = "filter."
_WANTED = "trace.wanted"
_TRACED_OF = "trace.of"


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


def name() -> str | None:
    """Who decides, as they have said; None when they have not."""
    return str(st.session_state.get(_KEPT + NAME, "")).strip() or None


def prepare_name(key: str) -> None:
    """Before a field for the name is drawn: give it what was said last, wherever that was."""
    st.session_state[key] = st.session_state.get(_KEPT + NAME, "")


def keep_name(key: str) -> None:
    """Callback: remember the name that was typed here, for every field that asks for it."""
    st.session_state[_KEPT + NAME] = str(st.session_state.get(key, "")).strip()


def prepare_batch(characteristic_id: int, names: Sequence[str]) -> str:
    """Before the choice of a batch is drawn: the newest one, when the product is another one.

    Returns:
        a name that was typed and is no batch of the product; "" otherwise.
    """
    n = len(names)
    if st.session_state.get(_KEPT + _BATCH_OF) != characteristic_id:
        st.session_state[_KEPT + _BATCH_OF] = characteristic_id
        st.session_state[BATCH] = n - 1
        st.session_state.pop(_KEPT + STRETCH_CHOICE, None)
    typed = st.session_state.get(BATCH)
    unknown = ""
    if isinstance(typed, str):
        place = {name.casefold(): i for i, name in enumerate(names)}
        known = place.get(typed.strip().casefold())
        unknown = typed if known is None else ""
        st.session_state[BATCH] = st.session_state.get(_KEPT + BATCH) if known is None else known
        if known is not None:
            show_batches(known, known, n)
    prepare(BATCH, range(n), n - 1)
    return unknown


def batch_from_address(names: Sequence[str]) -> None:
    """On arrival at a chart: choose the batch that its address names, once, and show it."""
    wanted = st.query_params.get(BATCH)
    if wanted is None:
        return
    del st.query_params[BATCH]  # from here on the choice goes its own way
    if wanted in names:
        position = list(names).index(wanted)
        choose_batch(position)
        show_batches(position, position, len(names))


def batch() -> int:
    """Position of the chosen batch."""
    return int(st.session_state[BATCH])


def choose_batch(position: int) -> None:
    """Before the choice of a batch is drawn, or in a callback: choose one."""
    st.session_state[BATCH] = position


def prepare_window(n: int) -> tuple[int, int]:
    """Before the choice of a stretch is drawn: first and stop of the batches to show, of n.

    The choice is kept here, too: the browser forgets one that a run cut short has set.
    """
    kept = st.session_state.get(_KEPT + STRETCH_CHOICE)
    if kept is None:
        kept = SHOWN_ON_A_PHONE if narrow() else SHOWN_AT_FIRST
    if kept in LAST and (LAST[kept] or 0) >= n:
        kept = "all"
    if kept in LAST:
        st.session_state[STRETCH_CHOICE] = kept
        return max(n - (LAST[kept] or n), 0), n
    st.session_state[STRETCH_CHOICE] = None
    first, stop = st.session_state.get(_KEPT + WINDOW, (0, n))
    first = min(max(int(first), 0), max(n - 2, 0))
    return first, min(max(int(stop), first + 2), n)


def keep_stretch() -> None:
    """Callback: the choice of a stretch has changed; taken away, it is the usual one again."""
    st.session_state[_KEPT + STRETCH_CHOICE] = st.session_state[STRETCH_CHOICE]


def show_stretch(first: int, stop: int) -> None:
    """Callback: show these batches."""
    st.session_state[_KEPT + WINDOW] = (first, stop)
    st.session_state[_KEPT + STRETCH_CHOICE] = ""


def show_batches(first: int, last: int, n: int, around: int = 12) -> None:
    """Callback: show a stretch with its neighbours, unless all of it is in view already."""
    shown = prepare_window(n)
    if not (shown[0] <= first and last < shown[1]):
        width = max(last - first + 1 + 2 * around, 30)
        stop = min(last + 1 + around, n)
        show_stretch(max(min(first - around, stop - width), 0), stop)


def show_event(first: int, last: int, chosen: int, n: int) -> None:
    """Callback: show an event with its neighbours, and choose a batch of it."""
    show_batches(first, last, n)
    choose_batch(chosen)


def move(by: float, n: int) -> None:
    """Callback: go along the record by a share of what is shown."""
    first, stop = prepare_window(n)
    step = round(by * (stop - first)) or (1 if by > 0 else -1)
    step = max(-first, min(step, n - stop))
    show_stretch(first + step, stop + step)


def zoom(by: float, n: int) -> None:
    """Callback: show more or fewer batches around the middle, keeping the newest in view."""
    first, stop = prepare_window(n)
    width = min(max(round((stop - first) * by), 8), n)
    end = stop if stop == n else min(n, round((first + stop) / 2 + width / 2))
    show_stretch(max(end - width, 0), max(end, width))


def choose_drawn_stretch(figure_key: str, n: int) -> None:
    """Callback of the navigator: show what was drawn across."""
    ends = st.session_state[figure_key].selection.get(STRETCH, {}).get("x", [])
    if len(ends) == 2 and abs(ends[1] - ends[0]) >= 1:
        low, high = sorted(float(end) for end in ends)
        show_stretch(max(round(low), 0), min(round(high) + 1, n))


def today() -> date:
    """The day in UTC, as the journal counts it."""
    return datetime.now(UTC).date()


def narrow() -> bool:
    """Whether the window is as narrow as a phone's.

    Measured in this session, else as the last one measured (a cookie), else by the browser's name.
    """
    if _NARROW in st.session_state:
        return bool(st.session_state[_NARROW])
    remembered = st.context.cookies.get(WIDTH_COOKIE)
    if remembered is not None:
        return remembered == "narrow"
    return "Mobi" in (st.context.headers.get("User-Agent") or "")


def keep_width() -> None:
    """Callback: the window is another one than was supposed."""
    told = st.session_state[SCREEN].get("narrow")
    if told is not None:
        st.session_state[_NARROW] = bool(told)


def keep(key: str) -> Any:
    """After a widget is drawn: remember its value for other pages."""
    st.session_state[_KEPT + key] = st.session_state[key]
    return st.session_state[key]


def is_open(key: str) -> bool:
    """Whether nothing has been chosen yet, neither here nor on another page."""
    return key not in st.session_state and _KEPT + key not in st.session_state


def from_address(key: str, options: Sequence[int]) -> None:
    """On arrival at a page: take the choice that its address names, if there is such a one."""
    named = st.query_params.get(key, "")
    if key not in st.session_state and named.isdecimal() and int(named) in options:
        st.session_state[key] = int(named)


def text_from_address(key: str, options: Sequence[str]) -> None:
    """On arrival at a page: take the words that its address names, if they are a choice."""
    named = st.query_params.get(key, "")
    if key not in st.session_state and named in options:
        st.session_state[key] = named


def shown_names() -> bool:
    """Whether operators are shown by name on the Investigation page."""
    return bool(st.session_state.get(NAMES, False))


def to_address(key: str) -> None:
    """Name the choice in the address, so that the view can be sent."""
    value = str(st.session_state[key])
    if st.query_params.get(key) != value:
        st.query_params[key] = value


def prepare_traced(characteristic_id: int, names: Sequence[str]) -> None:
    """Before the choice of the batch to trace is drawn: what the address names, else the newest."""
    wanted = st.session_state.pop(_WANTED, None)
    if _KEPT + TRACED not in st.session_state:
        wanted = wanted or st.query_params.get(BATCH)
    if wanted in names:
        st.session_state[TRACED] = wanted
    elif wanted is not None:  # a number that was used more than once: its newest use
        again = [name for name in names if name.startswith(f"{wanted} (")]
        st.session_state[TRACED] = again[0] if again else names[0]
    elif st.session_state.get(_KEPT + _TRACED_OF) != characteristic_id:
        st.session_state[TRACED] = names[0]
    st.session_state[_KEPT + _TRACED_OF] = characteristic_id
    prepare(TRACED, names, names[0])


def keep_traced() -> str:
    """After that choice is drawn: remember it, and name it in the address."""
    chosen = str(keep(TRACED))
    if st.query_params.get(BATCH) != chosen:
        st.query_params[BATCH] = chosen
    return chosen


def choose_traced(characteristic_id: int, batch: str) -> None:
    """Callback: trace this batch of this characteristic."""
    st.session_state[CHARACTERISTIC] = characteristic_id
    st.session_state[_WANTED] = batch


def filters_from_address(names: Sequence[str]) -> None:
    """On arrival at a page: take the filters that its address names."""
    for name in names:
        if _KEPT + _FILTER + name not in st.session_state and name in st.query_params:
            st.session_state[_KEPT + _FILTER + name] = st.query_params.get_all(name)


def filters(names: Sequence[str]) -> dict[str, list[str]]:
    """The filters in force, and into the address with them."""
    chosen = {name: list(st.session_state.get(_KEPT + _FILTER + name, [])) for name in names}
    for name, values in chosen.items():
        if values and st.query_params.get_all(name) != values:
            st.query_params[name] = values
        elif not values and name in st.query_params:
            del st.query_params[name]
    return chosen


def prepare_filter(name: str, options: Sequence[str], one: bool = False) -> str:
    """Before a filter is drawn: give it what is in force; returns its key.

    Args:
        name: of the filter. options: what can be chosen. one: a single choice.
    """
    held = [v for v in st.session_state.get(_KEPT + _FILTER + name, []) if v in options]
    st.session_state[_FILTER + name] = (held[0] if held else None) if one else held
    return _FILTER + name


def keep_filter(name: str) -> None:
    """Callback of a filter: what was chosen is in force."""
    value = st.session_state[_FILTER + name]
    chosen = value if isinstance(value, list) else [value] if value else []
    st.session_state[_KEPT + _FILTER + name] = chosen


def set_filter(name: str, value: str) -> None:
    """Callback: put one value of a filter in force."""
    st.session_state[_KEPT + _FILTER + name] = [value]


def set_default_filter(name: str, value: str) -> None:
    """Before a single choice is drawn: what is chosen until somebody chooses."""
    if not st.session_state.get(_KEPT + _FILTER + name):
        set_filter(name, value)


def typed(key: str) -> str:
    """What stands in a field."""
    return str(st.session_state.get(key, ""))


def forget_filters(names: Sequence[str]) -> None:
    """Callback: everything is shown again."""
    for name in names:
        st.session_state[_KEPT + _FILTER + name] = []


def part_of_page(key: str, options: Sequence[str]) -> str:
    """Which part of a page to begin with: as chosen before, else as its address names it."""
    for named in (st.session_state.get(key), st.query_params.get(key)):
        if named in options:
            return str(named)
    return options[0]


def answers(digest: str) -> dict[str, str]:
    """What a person has said about the file with this digest."""
    return dict(st.session_state.get(_ANSWERS, {}).get(digest, {}))


def answer(digest: str, given: Mapping[str, str]) -> None:
    """Remember what a person has said about a file, beside what was said before."""
    held = st.session_state.get(_ANSWERS, {})
    st.session_state[_ANSWERS] = {**held, digest: {**held.get(digest, {}), **given}}


def answers_are(digest: str, said: Mapping[str, str]) -> None:
    """Remember what a person has said about a file, instead of what was said before."""
    held = st.session_state.get(_ANSWERS, {})
    st.session_state[_ANSWERS] = {**held, digest: dict(said)}


def answer_from_widgets(digest: str, prefix: str, fields: Sequence[str]) -> None:
    """Remember what the widgets `prefix.field` say about a file."""
    answer(digest, {field: str(st.session_state[f"{prefix}.{field}"]) for field in fields})


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


_ROUND = "setup.round."
_PENDING = "setup.pending."


def editor_key(table: str) -> str:
    """Key of the editor of a table: another one after every save, so that it begins anew."""
    return f"setup.{table}.{st.session_state.get(_ROUND + table, 0)}"


def pending_rows(table: str) -> list[dict[str, Any]]:
    """Lines that were entered in the form and are not saved yet."""
    return list(st.session_state.get(_PENDING + table, []))


def add_pending(table: str, row: Mapping[str, Any]) -> None:
    """Keep a line that was entered in the form until it is saved."""
    st.session_state[_PENDING + table] = [*pending_rows(table), dict(row)]


def begin_anew(table: str) -> None:
    """After a save, or to put edits aside: the table as it is in the store."""
    st.session_state[_PENDING + table] = []
    st.session_state[_ROUND + table] = st.session_state.get(_ROUND + table, 0) + 1


def say_next(words: str) -> None:
    """Keep a sentence for the next run: what was just saved."""
    st.session_state[_KEPT + "said"] = words


def said() -> str:
    """The sentence kept for this run, once."""
    return str(st.session_state.pop(_KEPT + "said", ""))
