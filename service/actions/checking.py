"""What comes from outside as a record: checked once, and what is wrong is said of each field."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ValidationError

from service.refusals import Invalid

Kind = TypeVar("Kind", bound=BaseModel)
_PLAIN = re.compile(r"-?[0-9]+(\.[0-9]+)?")


def _plain(given: object) -> object:
    """Take a text as a number only if a person would read it as that one: not 1_000, 1e3 or other digits."""
    if isinstance(given, str) and not _PLAIN.fullmatch(given):
        raise ValueError("this is no number such as 12 or 9.5")
    return given


Typed = Annotated[float, BeforeValidator(_plain)]  # a number that may have been typed


def checked(kind: type[Kind], given: Mapping[str, Any]) -> Kind:
    """Make a record of what was typed or sent.

    Raises
    ------
    Invalid
        With the message of each field that is not as it should be.
    """
    try:
        return kind.model_validate(given)
    except ValidationError as error:
        fields = {
            "/".join(map(str, each["loc"])) or "form": each["msg"].removeprefix("Value error, ")
            for each in error.errors()
        }
        raise Invalid(
            "some of what was typed cannot be taken", where=", ".join(fields), expected="see each field",
            fix="correct the fields that are marked", fields=fields,
        ) from None  # fmt: skip
