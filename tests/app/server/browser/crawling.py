"""Every page there is, found by following links: what no link leads to is found by nobody."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from urllib.parse import urlencode, urljoin, urlsplit

from fastapi.routing import iter_route_contexts
from starlette.testclient import TestClient

from service.pages import PARTS

OPEN = re.compile(r"\{(\w+)(:path)?\}")
PAGES_OF_ONE_ROUTE = 7  # that are looked into: the first of a list stand for all; the outbox has seven lists


class Links(HTMLParser):
    """Where the links of a page lead, and its asking forms as they stand there."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._action = ""
        self._filled: dict[str, str] = {}
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attrs}
        if tag == "a" and named.get("href"):
            self.found.append(named["href"])
        elif tag == "img" and named.get("src"):
            self.found.append(named["src"])
        elif tag == "form":
            self._filled = {}
            self._action = named.get("action", "") if named.get("method", "get").casefold() == "get" else ""
        elif (
            tag in ("input", "button")
            and named.get("name")
            and named.get("type") not in ("checkbox", "radio")
        ):
            self._filled[named["name"]] = named.get("value", "")
        elif tag == "select":
            self._select = named.get("name", "")
        elif tag == "option" and (self._select not in self._filled or "selected" in named):
            self._filled[self._select] = named.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form" and self._action:
            self.found.append(f"{self._action}?{urlencode(self._filled)}")
            self._action = ""


def routes() -> dict[str, re.Pattern[str]]:
    """Every address of the pages that can be asked for, as declared, and the paths that are of it."""
    # Plain addresses before those with a part left open: /runs/upload is no run.
    declared = sorted(
        {
            each.path
            for part in PARTS
            for each in iter_route_contexts(part.routes)
            if "GET" in (each.methods or ())
        },
        key=lambda path: (path.count("{"), path),
    )
    return {
        path: re.compile(OPEN.sub(lambda part: ".+" if part[2] else "[^/]+", path) + "$") for path in declared
    }


def route_of(path: str, known: dict[str, re.Pattern[str]]) -> str | None:
    """The declared address that a path is of."""
    return next((declared for declared, pattern in known.items() if pattern.match(path)), None)


def crawl(client: TestClient, start: str = "/") -> Iterator[tuple[str, str, str]]:
    """Follow links from a page; gives declared address, actual address and kind of content."""
    known = routes()
    seen: set[str] = set()
    looked: dict[str, int] = {}
    waiting = [start]
    while waiting:
        address = waiting.pop(0)
        declared = route_of(urlsplit(address).path, known)
        if address in seen or declared is None:
            continue
        # To print one takes seconds, and none has links.
        most = 1 if declared.endswith(("pdf", "/sheet", "/file")) else PAGES_OF_ONE_ROUTE
        if looked.get(declared, 0) >= most:
            continue
        seen.add(address)
        looked[declared] = looked.get(declared, 0) + 1
        answer = client.get(address)
        assert answer.status_code in (200, 303), f"{address} is linked to and answers {answer.status_code}"
        kind = answer.headers.get("content-type", "").split(";")[0]
        yield declared, address, kind
        if kind == "text/html":
            links = Links()
            links.feed(answer.text)
            for link in links.found:
                target = urlsplit(urljoin(str(answer.url), link))
                if target.netloc == urlsplit(str(client.base_url)).netloc:
                    waiting.append(target.path + (f"?{target.query}" if target.query else ""))
