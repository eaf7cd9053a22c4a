"""Passwords: how they are judged, hashed and checked."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from threading import BoundedSemaphore
from typing import Literal

from argon2 import Parameters, Type
from argon2.profiles import RFC_9106_LOW_MEMORY
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

SHORTEST, LONGEST = 15, 200  # characters; no rules of composition (OWASP ASVS v5.0.0-6.2.1, 6.2.5, 6.2.9)
PARAMETERS: Parameters = RFC_9106_LOW_MEMORY  # Argon2id, 64 MiB, 3 passes, 4 lanes (RFC 9106, section 4)

# Each hash takes 64 MiB: more at once than this would let sign-ins exhaust the memory.
_at_once = BoundedSemaphore(4)


@cache
def _hasher() -> PasswordHash:
    assert PARAMETERS.type is Type.ID
    return PasswordHash(
        (
            Argon2Hasher(
                time_cost=PARAMETERS.time_cost,
                memory_cost=PARAMETERS.memory_cost,
                parallelism=PARAMETERS.parallelism,
            ),
        )
    )


def hashed(password: str) -> str:
    """Hash a password for keeping: Argon2id with a salt of its own."""
    with _at_once:
        return _hasher().hash(password)


@cache
def _of_nobody() -> str:
    return hashed("the password of nobody at all")


def matches(password: str, kept: str) -> bool:
    """Check a password against what is kept; as slow for an account that does not exist (``kept`` empty)."""
    against = kept or _of_nobody()
    with _at_once:
        fits = _hasher().verify(password[:LONGEST], against)
    return fits and bool(kept) and len(password) <= LONGEST


# ------------------------------------------------------------------------------------------- judging

Weakness = Literal["password-short", "password-long", "password-personal", "password-common"]

# Words that people build passwords from, in both languages of the pages and in this trade. Our own list: a
# password made of nothing but these, of numbers and of keys that lie side by side is among the first tried.
_WORDS = """
password passwort passw0rd pass contrasena clave secreto secret changeme change default login logon
entrar welcome bienvenido hello hola letmein access acceso admin administrator administrador root
user usuario guest test testing demo example ejemplo master super system sistema server computer
internet iloveyou teamo love amor princess princesa dragon monkey football futbol baseball sunshine
shadow spring summer autumn fall winter primavera verano otono invierno january february march april
june july august september october november december enero febrero marzo abril mayo junio julio
agosto septiembre octubre noviembre diciembre monday tuesday wednesday thursday friday saturday
sunday lunes martes miercoles jueves viernes sabado domingo furrowslice furrow slice soil suelo
suelos soils lab laboratory laboratorio farm farmer farming granja finca grower field fields campo
campos county extension agent agente agronomist agronomo agronomy agronomia report reports informe
fertilizer fertiliser abono the is my mi our new nuevo very long secure seguro correct horse battery
staple qwerty qwertz azerty asdf zxcv abc abcd xyz i me we you a an and of to in it for
""".split()  # noqa: SIM905 - a list of words reads better as a text
_LINES = (
    "abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "qwertzuiop", "azertyuiop", "asdfghjkl",
    "zxcvbnm", "yxcvbnm", "1qaz2wsx3edc4rfv5tgb6yhn7ujm", "1q2w3e4r5t6y7u8i9o0p",
    "qazwsxedcrfvtgbyhnujmikolp",
)  # fmt: skip
_DIGITS_AS_LETTERS, _SIGNS_AS_LETTERS = str.maketrans("013457", "oleast"), str.maketrans("@$!", "asi")
_FEWEST_CHARACTERS, _LONGEST_UNIT = 5, 8


def weakness(password: str, about: Iterable[str] = (), refused: Iterable[str] = ()) -> Weakness | None:
    """What is wrong with a new password; None when it can be taken.

    No rules of composition, no expiry: length, and none that is tried first.

    Parameters
    ----------
    password
        As typed.
    about
        Texts about the person: name, e-mail address.
    refused
        Passwords that are known to be in use elsewhere, one each.
    """
    if len(password) < SHORTEST:
        return "password-short"
    if len(password) > LONGEST:
        return "password-long"
    plain = _plain(password)
    if _is_about(plain, about):
        return "password-personal"
    if _is_obvious(password, plain) or any(password == each.rstrip("\r\n") for each in refused):
        return "password-common"
    return None


def _plain(text: str) -> str:
    """Small letters and digits alone, without accents."""
    letters = unicodedata.normalize("NFKD", text.casefold())
    return "".join(each for each in letters if each.isalnum())


def _is_about(plain: str, about: Iterable[str]) -> bool:
    """Whether nothing but numbers is left once the person's own names are taken out."""
    rest = plain
    names = {_plain(part) for text in about for part in (text, *re.split(r"[^\w]+", text))}
    for name in sorted(names, key=len, reverse=True):
        if len(name) > 2:
            rest = rest.replace(name, "")
    return rest != plain and not rest.strip("0123456789")


def _is_obvious(password: str, plain: str) -> bool:
    if len(set(password.casefold())) < _FEWEST_CHARACTERS:
        return True
    for size in range(1, _LONGEST_UNIT + 1):  # "soilsoilsoilsoil"
        unit = password[:size]
        if (unit * (len(password) // size + 1))[: len(password)] == password:
            return True
    return any(_is_made_of_words(each) for each in {plain, _plain(password.translate(_SIGNS_AS_LETTERS))})


def _is_made_of_words(plain: str) -> bool:
    """Whether the whole of a text is words of the list, digits, and keys that lie side by side."""
    reached, read = {0}, plain.translate(_DIGITS_AS_LETTERS)
    for begin in range(len(plain)):
        if begin not in reached:
            continue
        reached.update(
            begin + len(word)
            for word in _WORDS
            if plain.startswith(word, begin) or read.startswith(word, begin)
        )
        if plain[begin].isdigit():
            reached.add(begin + 1)
        end = begin + 3
        while end <= len(plain) and _is_on_a_line(plain[begin:end]):
            reached.add(end)
            end += 1
    return len(plain) in reached


def _is_on_a_line(keys: str) -> bool:
    return any(keys in line or keys[::-1] in line for line in _LINES)
