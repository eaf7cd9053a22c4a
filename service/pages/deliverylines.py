"""Why a delivery waits, is held or did not go, in the words of the pages."""

from __future__ import annotations

from service.web.templates import Words

_TROUBLES = ("no-connection", "tls", "sign-in", "not-now", "sender-refused")


def why(words: Words, reason: str) -> str:
    """Word a reason: a kind of our own, with what a mail server said behind a bar, or what somebody typed."""
    kind, _, answer = reason.partition("|")
    key = f"deliveries.why-{kind}"
    if not words.has(key):
        return reason
    return f"{words(key)} {words('deliveries.server-said', answer=answer)}" if answer else words(key)


def troubles(words: Words, reasons: list[str]) -> list[str]:
    """The reasons for which no mail at all goes, each once."""
    return [why(words, reason) for reason in dict.fromkeys(filter(is_trouble, reasons))]


def is_trouble(reason: str) -> bool:
    """Whether a reason is one for which no mail at all goes."""
    return reason.partition("|")[0] in _TROUBLES
