"""Tables to be read: harmless whatever a file names, and every cell says what it is."""

from html.parser import HTMLParser

import pandas as pd

from dashboard import plain_table

HOSTILE = "\"><img src=x onerror=alert(1)><b title='y'>"


class Seen(HTMLParser):
    """What a browser would make of it."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.labels: list[str] = []
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.labels += [value or "" for name, value in attrs if name == "data-label"]

    def handle_data(self, data: str) -> None:
        self.words += f"{data}\n"


def seen(made: str) -> Seen:
    parser = Seen()
    parser.feed(made)
    parser.close()
    return parser


def test_names_of_a_file_stay_text() -> None:
    found = seen(plain_table.html(["What", HOSTILE], [[HOSTILE, "a & b"]]))
    assert found.tags == {"table", "thead", "tbody", "tr", "th", "td", "span"}
    assert found.labels == ["What", HOSTILE]
    assert found.words.splitlines() == ["What", HOSTILE, HOSTILE, "a & b"]


def test_a_frame_is_shown_in_words() -> None:
    frame = pd.DataFrame({"What": ["x", ""], "Value": [2.50, float("nan")]})
    assert seen(plain_table.of_frame(frame)).words.split() == [
        "What",
        "Value",
        "x",
        "2.5",
        "–",
        "–",
    ]
