"""What forms have sent, and what is wrong with each of their fields."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, Path, Request
from starlette.datastructures import FormData

from interpretation.errors import FurrowsliceError
from service.refusals import Invalid

_COMMA = re.compile(r"-?[0-9]+,[0-9]{1,2}")  # 9,5: a decimal mark; 1,234 could be either and is refused
SAID = {"yes": True, "no": False}


async def sent(request: Request) -> FormData:
    """Everything a form has sent, for forms whose fields are many or repeated."""
    return await request.form()


Id = Annotated[int, Path(ge=1, le=2**31 - 1)]  # what the narrower of the two engines takes
Sent = Annotated[FormData, Depends(sent)]


def text_of(given: Mapping[str, Any], name: str) -> str:
    """What was typed into a field; nothing where it is missing, or where a file was sent instead."""
    value = given.get(name, "")
    return value.strip() if isinstance(value, str) else ""


def number_of(text: str) -> str | None:
    """A typed number as the checks read it; None for none."""
    return (text.replace(",", ".") if _COMMA.fullmatch(text) else text) or None


def wrong_fields(error: FurrowsliceError | None) -> Mapping[str, str]:
    """What is wrong with each field, by its name; nothing for the others."""
    return defaultdict(str, error.fields if isinstance(error, Invalid) else {})
