"""A test message to everybody whom the watch would tell."""

import uuid
from datetime import UTC, datetime

from dashboard.results import CAUTION
from dashboard.watch.channels import Parcel, send
from dashboard.watch.description import Watch

SAID = (
    "This is a test of the watch on viscosity results. Nothing has happened. "
    "If you read this, messages reach you."
)


def send_test(watch: Watch) -> list[tuple[str, str]]:
    """Send the test: every target with "" where it arrived, else a sentence."""
    now = datetime.now(UTC)
    found = []
    for channel in watch.channels:
        for target in channel.targets:
            page = (
                f"<!DOCTYPE html><html lang='en'><body><p>{SAID}</p><p>{CAUTION}</p></body></html>"
            )
            words = f"{SAID}\n\n{CAUTION}"
            parcel = Parcel(uuid.uuid4().hex, "Test of the watch", words, page, now)
            found.append((target, send(channel, target, parcel).error))
    return found
