"""The words of messages: nothing from data is markup, however it is named."""

from datetime import timedelta
from html.parser import HTMLParser

import ingest
from dashboard.results import CAUTION
from dashboard.watch import service
from dashboard.watch.messages import for_chat
from tests.dashboard.watch.bench import Bench, add_batches, make_plant

EVIL = '<img src=x onerror=alert(1)>"&</p><script>'


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.links += [str(value) for name, value in attrs if name == "href"]

    def handle_data(self, data: str) -> None:
        self.text += data


def page(bench: Bench) -> tuple[Tags, service.Words]:
    ((_, words, _),) = service.preview(bench.run)
    parsed = Tags()
    parsed.feed(words.html)
    return parsed, words


def test_names_are_escaped_in_html_and_links_lead_to_the_dashboard_only(bench: Bench) -> None:
    make_plant(bench.store, product=EVIL)
    ingest.set_setting(
        bench.store,
        "reaction_plan",
        {"outside_specification": {"step": f"Call {EVIL}", "who": EVIL}},
    )
    add_batches(bench.store, [(EVIL, 2300.0)], bench.now, EVIL)
    bench.now += timedelta(minutes=5)
    bench.describe(
        '[watch]\ndashboard = "http://qc.example/spc"\n[watch.channels.book]\nkind = "file"\n'
        'path = "n.jsonl"\n'
    )
    parsed, words = page(bench)
    assert parsed.tags == {"html", "head", "meta", "title", "body", "p", "h2", "b", "br", "a"}
    assert EVIL in parsed.text  # to be read as it is, not to be obeyed
    assert CAUTION in parsed.text
    assert all(link.startswith("http://qc.example/spc/") for link in parsed.links)
    assert parsed.links[-1] == "http://qc.example/spc/set-up?part=watch"
    assert len(words.subject.splitlines()) == 1


def test_a_long_list_has_a_line_for_each(bench: Bench) -> None:
    for i in range(15):
        make_plant(bench.store, 20, f"Q-{i:02d}")
        rows = [(f"OUT-{j}", 2300.0 + j) for j in range(4)]
        add_batches(bench.store, rows, bench.now, f"Q-{i:02d}")
    bench.now += timedelta(minutes=5)
    bench.describe('[watch.channels.book]\nkind = "file"\npath = "n.jsonl"\n')
    _, words = page(bench)
    assert words.text.count("Asked of") == 40
    # those without what is asked of whom still have their line
    said = [line for line in words.text.splitlines() if " is outside its specification" in line]
    assert len(said) == len(set(said)) == 60
    chat = for_chat(words.text * 5, "angle")
    assert len(chat) < 21_000
    assert chat.splitlines()[-3:] == [
        "… and more: all of it stands on the Set-up page, under Watch.",
        "",
        CAUTION,
    ]
