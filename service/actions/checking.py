"""What comes from outside as a record: checked once, and what is wrong is said of each field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from service.refusals import Invalid

Kind = TypeVar("Kind", bound=BaseModel)


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
