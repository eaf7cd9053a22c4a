"""Forms as records: what was typed is checked once, and what is wrong stands beside its field."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from interpretation.errors import FurrowsliceError
from service.refusals import Invalid

Form = TypeVar("Form", bound=BaseModel)


def checked(kind: type[Form], given: Mapping[str, Any]) -> Form:
    """Make a record of what was typed.

    Raises
    ------
    Invalid
        With the message of each field that is not as it should be.
    """
    try:
        return kind.model_validate(given)
    except ValidationError as error:
        fields = {str(each["loc"][0]) if each["loc"] else "form": each["msg"] for each in error.errors()}
        raise Invalid(
            "some of what was typed cannot be taken", where=", ".join(fields), expected="see each field",
            fix="correct the fields that are marked", fields=fields,
        ) from None  # fmt: skip


def wrong_fields(error: FurrowsliceError | None) -> Mapping[str, str]:
    """What is wrong with each field, by its name; nothing for the others."""
    return defaultdict(str, error.fields if isinstance(error, Invalid) else {})
