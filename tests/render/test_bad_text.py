"""Text that means harm or is far too long: refused where it enters, or drawn as text."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from reports.build import build_report
from reports.render import html, pdf
from reports.view import LONGEST_COMMENT, LONGEST_LINE
from tests.render.conformance import faults
from tests.render.demo_world import laboratory
from tests.render.test_layouts import misplaced, one_sample

HOSTILE = (
    "</p><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "]]><!--",
    "&lt; &#0; &nope;",
    "{{ page }} {% raw %}",
    "a\x00b\x08c\x0bd\x1be\x7ff\x85g",
    "\u202eevil\u202c \u2066x\u2069",
    "\ufffe\uffff",
    "e" + "\u0301" * 200,
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_drawn_as_text(text: str) -> None:
    page = build_report(
        one_sample(field_name=f"Acre {text}", grower_name=text, crop=text), laboratory(agent_comment=text)
    )
    written = html(page)
    assert "<script" not in written
    assert "<img" not in written
    assert faults(pdf(page)) == []


def test_a_note_as_long_as_may_be_is_drawn() -> None:
    for note in ("a few words " * (LONGEST_COMMENT // 12), "x" * LONGEST_COMMENT, "\n" * LONGEST_COMMENT):
        page = build_report(one_sample(), laboratory(agent_comment=note))
        assert faults(pdf(page)) == []
        assert misplaced(page, "a4") == []


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"agent_comment": "a few words " * 1667}, f"at most {LONGEST_COMMENT} characters"),
        ({"agent_comment": "W" * 50_000}, f"at most {LONGEST_COMMENT} characters"),
        ({"name": "W" * 50_000}, f"at most {LONGEST_LINE} characters"),
        ({"agent_comment": "half a letter: \ud800"}, "valid string"),
    ],
)
def test_longer_text_is_refused_where_it_enters(changes: dict[str, str], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        laboratory(**changes)
