"""The errors that reading and storing raise: each message is one plain sentence for a person."""


class IngestError(ValueError):
    """A file or a store could not be used; the message says what, where and what to do."""

    def __init__(self, message: str) -> None:
        """Keep the message to one line of printable text: parts of it may come from a file."""
        super().__init__("".join(c if c.isprintable() else " " for c in message))


class StoreError(IngestError):
    """The store could not be opened, read or written."""
