"""What is wrong with a field of a form: a key for the pages' words, and the sentence for everybody else."""

from __future__ import annotations

from collections.abc import Mapping

from service.characters import UNSEEN
from service.refusals import Invalid

SENTENCES: Mapping[str, str] = {
    "needed": "this is needed",
    "too-long": "this is too long",
    "unseen": "this holds characters that cannot be seen; type it again",
    "email": "this is no e-mail address",
    "email-taken": "somebody else has this e-mail address",
    "language": "the pages are not written in this language",
    "role": "there is no such role",
    "laboratory": "this role needs a laboratory",
    "county": "an agent needs at least one county, and each must be on the list of counties",
    "region": "choose a region of the tables; an agronomist keeps the tables of one region",
    "taken": "there is one already",
    "county-id": "an id has small letters, digits and hyphens, such as upper-county",
    "password-wrong": "this is not the present password",
    "password-short": "a password has at least 15 characters",
    "password-long": "a password has at most 200 characters",
    "password-personal": "this is made from your own name or address",
    "password-common": "this is among the passwords that are tried first",
    "rights": "choose at least one, and only what your role does",
    "days": "a token holds from 1 to 365 days",
    "code": "this code is wrong, too old, or was used before",
    "sure": "tick this if you are sure",
    "logo-large": "a logo has at most 500 KB",
    "logo-kind": "a logo is a PNG or JPEG, and this file is neither, whatever its name says",
    "logo-size": "a logo has at most 1,000 px a side",
    "logo-small": "a logo has at least 8 px a side",
    "logo-damaged": "this picture is damaged or cut off; save it once more with a drawing program",
    "sign-in": "the e-mail address and the password do not fit together, or the account is closed",
}


def wrong_line(text: str, longest: int, *, needed: bool = True) -> str | None:
    """What is wrong with a text of one line; None when it can be taken."""
    if not text.strip():
        return "needed" if needed else None
    if len(text) > longest:
        return "too-long"
    return "unseen" if UNSEEN.search(text) or not text.replace("\u00a0", " ").isprintable() else None


class WrongFields(Invalid):
    """One or more fields cannot be taken; ``keys`` maps each to a key of :data:`SENTENCES`."""

    def __init__(self, what: str, keys: Mapping[str, str]) -> None:
        self.keys = dict(keys)
        super().__init__(
            what,
            where=", ".join(keys),
            expected="; ".join(dict.fromkeys(SENTENCES[key] for key in keys.values())),
            fix="correct the fields named",
            fields={name: SENTENCES[key] for name, key in keys.items()},
        )
