"""Where a password is kept, as a TOML file says it, and getting it from there; never the word."""

import os
from dataclasses import dataclass
from typing import Any

from ingest.errors import IngestError


@dataclass(frozen=True, slots=True)
class Kept:
    """The environment variable or the keyring entry that a password is in; "" for neither."""

    environment: str = ""
    keyring: str = ""


def where_kept(value: Any, where: str, what: str = "password") -> Kept:
    """What a file says about the place of a password.

    Args:
        value: from the file, None where nothing stands. where: the place in the file, for people.
        what: the name of the key.

    Raises:
        IngestError: it says anything else than a place.
    """
    if value is None:
        return Kept()
    kind = next(iter(value)) if isinstance(value, dict) and len(value) == 1 else ""
    name = value[kind] if kind in ("environment", "keyring") else ""
    if not (isinstance(name, str) and 0 < len(name) <= 128 and name.isprintable()):
        raise IngestError(
            f'{where}: {what} is to say where it is kept: {{ environment = "VARIABLE" }} or '
            f'{{ keyring = "NAME" }}, never the {what} itself.'
        )
    return Kept(environment=name) if kind == "environment" else Kept(keyring=name)


def fetch(kept: Kept, user: str, whose: str, what: str = "password") -> str:
    """The password from where it is kept; "" where none is needed.

    Args:
        kept: where. user: whose password the keyring is asked for. whose: for people, such as
            "Source lims". what: the name of the thing.

    Raises:
        IngestError: it is not there.
    """
    if kept.environment:
        found = os.environ.get(kept.environment)
        if found is None:
            raise IngestError(
                f"{whose}: its {what} is to be in the environment variable {kept.environment}, "
                "which is not set: set it."
            )
        return found
    if not kept.keyring:
        return ""
    try:
        import keyring  # slow to import, and not installed by default
    except ModuleNotFoundError:
        raise IngestError(
            f"{whose}: its {what} is to be in the keyring, which needs the package keyring: "
            "install viscosity-spc[keyring]."
        ) from None
    try:
        held = keyring.get_password(kept.keyring, user)
    except Exception:  # noqa: BLE001 - a keyring of any make, which fails in its own ways
        held = None
    if held is None:
        raise IngestError(
            f"{whose}: the keyring holds no {what} for {kept.keyring} and user "
            f"{user or '(none)'}: put it there."
        )
    return str(held)
