"""TOML files in which a site describes something: where they lie, and their values, checked.

What has no sense is refused in one plain sentence.
"""

import os
import re
import tomllib
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

import platformdirs

from ingest.errors import IngestError
from ingest.opening import parsed_url

_SPAN = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)\s*(second|minute|hour|day|week)s?")


def place_of(
    name: str,
    variable: str,
    store_url: str | None = None,
    config: str | os.PathLike[str] | None = None,
) -> Path:
    """Where a description lies: a named file, else beside the store, else the user's own.

    Args:
        name: of the file. variable: of the environment that may name it.
        store_url: the store, if it is a SQLite file. config: a file that somebody named.
    """
    named = config or os.environ.get(variable, "").strip()
    if named:
        return Path(named)
    if store_url:
        parsed = parsed_url(store_url)
        if parsed.get_backend_name() == "sqlite" and parsed.database:
            beside = Path(parsed.database).absolute().parent / name
            if beside.is_file():
                return beside
    return platformdirs.user_config_path("viscosity-spc", appauthor=False) / name


def load_toml(path: Path) -> dict[str, Any]:
    """What a description says.

    Raises:
        FileNotFoundError: there is none. IngestError: it cannot be read or is no TOML file.
    """
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise
    except OSError as error:
        raise IngestError(f"{path} could not be read ({error.strerror}): look at it.") from None
    except UnicodeDecodeError:
        raise IngestError(f"{path} is not UTF-8 text: save it as that.") from None
    except tomllib.TOMLDecodeError as error:
        raise IngestError(f"{path} is not a TOML file: {error}.") from None


def section(value: Any, where: str) -> Mapping[str, Any]:
    """A section of the file."""
    if not isinstance(value, dict):
        raise IngestError(f"{where}: write it as a section in square brackets.")
    return value


def refuse_unknown(given: Mapping[str, Any], known: set[str], where: str) -> None:
    """Say of the first key that means nothing here which ones do."""
    unknown = sorted(given.keys() - known)
    if unknown:
        raise IngestError(
            f"{where}: '{unknown[0]}' means nothing here: use {', '.join(sorted(known))}."
        )


def text_of(given: Mapping[str, Any], name: str, where: str) -> str:
    """A text on one line; "" where nothing stands."""
    value = given.get(name, "")
    if not isinstance(value, str) or (name in given and not value.strip()):
        raise IngestError(f"{where}: {name} is to be a text in quotation marks.")
    if not value.isprintable():
        raise IngestError(f"{where}: {name} holds a character that cannot be printed.")
    return value.strip()


def texts_of(given: Mapping[str, Any], name: str, where: str) -> tuple[str, ...]:
    """A text or a list of texts, each once."""
    value = given.get(name, [])
    texts = [value] if isinstance(value, str) else value
    good = isinstance(texts, list) and all(
        isinstance(one, str) and one.strip() and one.isprintable() for one in texts
    )
    if not good:
        raise IngestError(f"{where}: {name} is to be a list of texts in quotation marks.")
    return tuple(dict.fromkeys(one.strip() for one in texts))


def whole(given: Mapping[str, Any], name: str, where: str, default: int, top: int) -> int:
    """A whole number from 1."""
    value = given.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= top:
        raise IngestError(f"{where}: {name} is to be a whole number from 1 to {top}.")
    return value


def span(value: Any, name: str, where: str) -> timedelta:
    """A length of time such as "5 minutes"."""
    match = _SPAN.fullmatch(value.strip().lower()) if isinstance(value, str) else None
    found = timedelta(**{f"{match[2]}s": float(match[1])}) if match else timedelta(0)
    if not found:
        raise IngestError(f'{where}: {name} is to be a time such as "5 minutes" or "24 hours".')
    return found
