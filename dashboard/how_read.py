"""What may have been meant otherwise in a file, said before anybody relies on it."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import ingest

ON_THE_COMMAND_LINE = "If one is needed: --set 'column:HEADING=FIELD', before the file is imported."
ON_THE_PAGE = "If one is needed, say what it is below, before the file is imported."
_KEPT = "kept as it is"


def how_it_was_read(understood: "Sequence[ingest.Understood]", todo: str) -> list[str]:
    """Columns left alone, no spindle or speed, and the time zone, a sentence each.

    Args:
        understood: as the reading has it. todo: how a column is named here.
    """
    kept = [one.what for one in understood if one.value == _KEPT]
    lines = [f"Kept and not used: {', '.join(kept)}. {todo}"] if kept else []
    known = {word for one in understood for word in (one.what, one.value)}
    missing = [field for field in ("spindle", "speed") if field not in known]
    if missing:
        lines.append(
            f"No {' and no '.join(missing)} is recognised: readings of several of them would share "
            "one chart."
        )
    zones = [one for one in understood if one.what == "time zone"]
    return [*lines, *(f"Time zone: {one.value} ({one.why})." for one in zones)]
