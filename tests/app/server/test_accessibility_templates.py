"""Rules of the templates that can be read off them: what the policy forbids, and what a listener needs."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from service.web.templates import environment

TEMPLATES = sorted((Path(__file__).parents[3] / "service" / "pages" / "templates").rglob("*.html.j2"))


class Rules(HTMLParser):
    """Collects what breaks a rule; tags of the template are left out, so both ways of an ``if`` are read."""

    def __init__(self) -> None:
        super().__init__()
        self.broken: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        shown = self.get_starttag_text() or tag
        if "style" in named or tag == "style" or any(name.startswith("on") for name in named):
            self.broken.append(f"the policy forbids styles and handlers in a page: {shown}")
        if tag == "script" and "src" not in named:
            self.broken.append(f"the policy forbids scripts in a page: {shown}")
        if any(
            re.match(r"https?:|//", value or "") for name, value in attrs if name in ("src", "href", "action")
        ):
            self.broken.append(f"nothing is fetched from elsewhere: {shown}")
        if tag == "th" and "scope" not in named:
            self.broken.append(f"a heading of a table says of what: {shown}")
        if tag == "svg" and not (named.get("aria-hidden") or (named.get("role") and "aria-label" in named)):
            self.broken.append(f"a picture is described or is hidden from who listens: {shown}")
        if tag == "form" and named.get("method", "get") not in ("get", "post"):
            self.broken.append(f"a form gets or posts: {shown}")


def broken(source: str) -> list[str]:
    """The rules that a template breaks."""
    reader = Rules()
    reader.feed("".join(value if kind == "data" else "" for _, kind, value in environment().lex(source)))
    return reader.broken


@pytest.mark.parametrize(
    "source",
    [
        '<p style="color: red">', "<style>", '<b onclick="x()">', "<script>", '<img src="https://x.example/a">',
        "<th>", "<svg>", '<form method="dialog">',
    ],
)  # fmt: skip
def test_a_broken_rule_is_found(source: str) -> None:
    assert len(broken(source)) == 1


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_a_template_keeps_the_rules(path: Path) -> None:
    assert broken(path.read_text("utf-8")) == []


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_a_form_that_changes_something_carries_its_token(path: Path) -> None:
    source = path.read_text("utf-8")
    forms = re.findall(r"<form[^>]*method=\"post\".*?</form>", source, re.DOTALL)
    before = {
        "sign-in.html.j2",
        "set-password.html.j2",
    }  # nobody is signed in there: see service.pages.signing
    # A template may have a macro of its own for what all of its forms carry.
    carriers = [
        "part.token()",
        "form_token",
        *re.findall(r"macro (\w+\(\)) %}\{\{ part.token\(\) \}\}", source),
    ]
    if path.name not in before:
        assert [form[:80] for form in forms if not any(each in form for each in carriers)] == []
