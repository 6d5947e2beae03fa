"""Figures made ready to send: as a specification with its tables packed, or as a picture in a file.

Making a figure takes far longer than choosing a point on it, so figures are made once (and kept by
`cache`); choosing a point exchanges one small table in them.
"""

import json
import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import altair as alt
import pandas as pd
import pyarrow as pa

from dashboard.chart_panels import Panel
from dashboard.figures import CHOSEN, WINDOW, Palette
from dashboard.figures.palette import LIGHT

PICTURE_WIDTH = 1100
PICTURE_SCALE = 2.0  # pixels of a PNG to one of the screen, sharp on paper


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A figure ready to send.

    Attributes:
        key: stable name. spec: Vega-Lite, with every table packed. selectable: points can be
            chosen. description: for those who do not see it.
    """

    key: str
    spec: dict[str, Any]
    selectable: bool
    description: str


def drawn(panel: Panel) -> Drawn:
    """Turn a panel into what the browser gets."""
    tables: dict[str, pd.DataFrame] = {}
    names: dict[int, str] = {}

    def keep(data: Any) -> dict[str, str]:
        name = names.setdefault(id(data), f"table-{len(names)}")
        tables[name] = data  # held here, so that no other table can get its id
        return {"name": name}

    spec = as_specification(panel.figure, keep)
    used: dict[str, set[str]] = {}
    chosen_by = _fields(spec.get("params", []))
    for layer in spec.get("layer", []):
        if "name" in layer.get("data", {}):
            used.setdefault(layer["data"]["name"], set()).update(_fields(layer) | chosen_by)
    packed = {
        name: _packed(frame[[one for one in frame.columns if one in used.get(name, frame.columns)]])
        for name, frame in tables.items()
    }
    for layer in spec.get("layer", []):
        if layer.get("name") in (CHOSEN, WINDOW):
            packed[layer["name"]] = packed[layer["data"]["name"]]
            layer["data"] = {"name": layer["name"]}
    spec["datasets"] = packed
    # said by the page itself, which is what a screen reader meets
    description = str(spec.pop("description", ""))
    return Drawn(panel.key, spec, panel.selectable, description)


def as_specification(
    figure: alt.TopLevelMixin, keep: Callable[[Any], dict[str, str]] | None = None
) -> dict[str, Any]:
    """The Vega-Lite specification of a figure; the only way in which one is made.

    What becomes of tables is one setting of Altair for the whole process, while every session of
    the server is a thread: without the lock, one figure's tables would land in another figure.

    Args:
        keep: takes each table and names it; None leaves the tables inside.
    """
    with _ALTAIR:
        if keep is None:
            return dict(figure.to_dict(validate=False))
        with alt.data_transformers.enable(_KEEPING, keep=keep):
            return dict(figure.to_dict(validate=False))


def with_chosen(one: Drawn, place: float | None) -> dict[str, Any]:
    """The specification with the line through the chosen point at this place of its axis."""
    places = [] if place is None else [float(place)]
    return _with(one, CHOSEN, pd.DataFrame({"x": pd.Series(places, dtype=float)}))


def with_window(one: Drawn, start: float, stop: float) -> dict[str, Any]:
    """The specification of a navigator with the stretch that is shown."""
    return _with(one, WINDOW, pd.DataFrame({"start": [float(start)], "stop": [float(stop)]}))


def _with(one: Drawn, name: str, table: pd.DataFrame) -> dict[str, Any]:
    tables = dict(one.spec["datasets"])
    if name in tables:
        tables[name] = _packed(table)
    return {**one.spec, "datasets": tables}


def size_of(one: Drawn) -> int:
    """Bytes that its tables and its specification take, about what is sent."""
    rest = {name: value for name, value in one.spec.items() if name != "datasets"}
    return sum(len(data) for data in one.spec["datasets"].values()) + len(repr(rest))


def picture(panels: Sequence[Panel], kind: str, palette: Palette) -> bytes:
    """The panels, one below the other, as a file: `kind` is "svg" or "png".

    Nothing is fetched: the converter brings its own drawing library and fonts.
    """
    import vl_convert  # takes a while to load, and is needed only here

    stacked: dict[str, Any] = {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.20.1.json",
        "background": palette.ground,
        "padding": 14,
        "vconcat": [],
        "resolve": {"scale": {"x": "independent", "y": "independent"}},
    }
    for number, panel in enumerate(panels):
        spec, config = _without_choices(panel.figure)
        stacked["config"] = {**config, "background": palette.ground}
        spec["width"] = PICTURE_WIDTH
        spec["name"] = f"panel_{number}"
        stacked["vconcat"].append(spec)
    if kind == "svg":
        return str(vl_convert.vegalite_to_svg(stacked, allowed_base_urls=[])).encode()
    return bytes(vl_convert.vegalite_to_png(stacked, scale=PICTURE_SCALE, allowed_base_urls=[]))


def still(figure: alt.LayerChart, width: int, palette: Palette) -> dict[str, Any]:
    """A figure as plain data for a picture of it: Vega-Lite with its tables, nothing to choose.

    The same figure gives the same data, whatever was drawn before in this process.
    """
    spec, config = _without_choices(figure)
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.20.1.json",
        "background": palette.ground,
        "padding": 6,
        "config": {**config, "background": palette.ground},
        **spec,
        "width": width,
    }


def on_screen(spec: dict[str, Any], palette: Palette) -> dict[str, Any]:
    """A figure as `still` made it on white, for a page: its colours, and as wide as there is."""
    written = json.dumps(spec)
    for one in fields(Palette):
        written = written.replace(getattr(LIGHT, one.name), getattr(palette, one.name))
    fitted = {
        "width": "container",
        "autosize": {"type": "fit", "contains": "padding"},
        "padding": {"left": 4, "right": 12, "top": 4, "bottom": 4},
    }
    return {**json.loads(written), **fitted}


def svg_of(spec: dict[str, Any]) -> str:
    """The picture of a figure as `still` gives it; nothing is fetched."""
    import vl_convert  # takes a while to load, and is needed only here

    return str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[]))


def png_of(svg: str, scale: float = PICTURE_SCALE) -> bytes:
    """The same picture as points, `scale` of them to one of the screen."""
    import vl_convert

    return bytes(vl_convert.svg_to_png(svg, scale=scale))


def _without_choices(figure: alt.LayerChart) -> tuple[dict[str, Any], dict[str, Any]]:
    """The specification without what a screen needs, its tables in place; and its settings."""
    spec = as_specification(figure)
    config = spec.pop("config", {})
    data = spec.pop("datasets", {})
    for name in ("padding", "autosize", "usermeta", "$schema", "background", "params"):
        spec.pop(name, None)
    for layer in spec.get("layer", []):
        layer.pop("params", None)
        layer.pop("name", None)
        if layer.get("data", {}).get("name") in data:
            layer["data"] = {"values": data[layer["data"]["name"]]}
    if spec.get("data", {}).get("name") in data:
        spec["data"] = {"values": data[spec["data"]["name"]]}
    return spec, config


def _fields(part: Any) -> set[str]:
    """Every column that a part of a specification reads."""
    if isinstance(part, dict):
        named = {str(part["field"])} if isinstance(part.get("field"), str) else set()
        named |= {one for one in part.get("fields", []) if isinstance(one, str)}
        return named.union(*(_fields(value) for value in part.values()))
    if isinstance(part, list):
        return set().union(*(_fields(value) for value in part))
    return set(_READ.findall(part)) if isinstance(part, str) else set()


def _packed(frame: pd.DataFrame) -> bytes:
    sink = pa.BufferOutputStream()
    table = pa.Table.from_pandas(frame, preserve_index=False)
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return bytes(sink.getvalue().to_pybytes())


_READ = re.compile(r"datum\.(\w+)")
_ALTAIR = threading.Lock()
_KEEPING = "dashboard-keep"
alt.data_transformers.register(_KEEPING, lambda data, keep: keep(data))
