"""What the tests of the pages read in their source: the words, and whether the tags close in order."""

import re
from html import unescape
from html.parser import HTMLParser

VOID = ("meta", "link", "input", "br", "img", "hr", "col")


def words_of(html: str, *, spans_join: bool = False) -> str:
    """The words of a page; `spans_join`: marks inside a word do not part it."""
    if spans_join:
        html = re.sub(r"</?span[^>]*>", "", html)
    without_tags = unescape(re.sub(r"<[^>]+>", " ", html))
    return re.sub(r"\s+", " ", without_tags.replace("\N{NO-BREAK SPACE}", " "))


class Tags(HTMLParser):
    """Fails where the tags of a page do not close in order; its links and ids, and styles and scripts inside it."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.inside: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside += [name for name, _ in attrs if name == "style" or name.startswith("on")]
        ours = tag == "script" and (dict(attrs).get("src") or "").startswith("/static/")
        self.inside += [tag] if tag in ("script", "style", "iframe") and not ours else []
        self.links += [value or "" for name, value in attrs if name == "href"]
        self.ids += [value or "" for name, value in attrs if name == "id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)
