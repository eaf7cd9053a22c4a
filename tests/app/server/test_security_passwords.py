"""v5.0.0-6.2.1 to 6.2.12: which passwords are taken, and how they are typed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service import passwords
from service.actions import people, signing
from service.actions.wrongfields import WrongFields
from service.refusals import NotFound
from service.store import accounts
from tests.app.server.conftest import World

GOOD = "teal kettle under nineteen maples"
ABOUT = ("Róisín Marlowe-Quint", "roisin.mq@soil.example")


@pytest.mark.parametrize(
    ("password", "weakness"),
    [
        ("fourteen chars", "password-short"),  # 6.2.1: 14
        ("15 wet otter go", None),  # 15
        ("ü" * 8 + "ß" * 7, "password-common"),
        ("q7:" * 2 + "wh4t a l0ng one " * 4, None),  # 6.2.9: 64 and more are allowed
        ("oxbow lantern " * 14 + "1234", None),  # 200
        ("oxbow lantern " * 14 + "12345", "password-long"),  # 201
        ("teal kettle under nineteen maples", None),  # 6.2.5: no capital, digit or sign asked for
        ("TEAL KETTLE UNDER NINETEEN MAPLES", None),
        ("  leading and trailing otters  ", None),  # 6.2.8: taken as typed
        ("zanahoria bicicleta ñandú", None),
        ("aaaaaaaaaaaaaaaaaaaa", "password-common"),  # 6.2.4
        ("abababababababab", "password-common"),
        ("clayclayclayclayclay", "password-common"),
        ("passwordpassword", "password-common"),
        ("Password12345678", "password-common"),
        ("P@ssw0rd!P@ssw0rd!", "password-common"),
        ("pa55word pa55word 1", "password-common"),
        ("1234567890123456", "password-common"),
        ("qwertyuiopasdfgh", "password-common"),
        ("0987654321poiuyt", "password-common"),
        ("1qaz2wsx3edc4rfv", "password-common"),
        ("correcthorsebatterystaple", "password-common"),
        ("Furrowslice-2026!", "password-common"),  # 6.2.11: words of this house and trade
        ("soil laboratory 1", "password-common"),
        ("Contraseña123456", "password-common"),
        ("bienvenido Agosto 2026", "password-common"),
        ("RóisínMarloweQuint1", "password-personal"),
        ("roisin marlowe 1987", "password-personal"),
        ("roisin.mq@soil.example", "password-personal"),
        ("roisin likes nine lanterns", None),  # a name in it does not spoil a long one
    ],
)
def test_which_passwords_are_taken(password: str, weakness: str | None) -> None:
    assert passwords.weakness(password, ABOUT) == weakness


def test_a_list_of_known_passwords_in_the_data_folder_is_heeded(lite_world: World) -> None:
    """v5.0.0-6.2.12: whoever runs the server can lay down a list of passwords known from elsewhere."""
    known = lite_world.site.settings.data / signing.REFUSED_LIST
    known.write_bytes(b"another known one\r\nviolet teapots everywhere\n\xff\n")
    with pytest.raises(WrongFields) as refused:
        signing.hashed_if_fit(lite_world.site, "violet teapots everywhere", ())
    assert refused.value.fields == {"password": "this is among the passwords that are tried first"}
    assert signing.hashed_if_fit(lite_world.site, "violet teapots everywhere!", ()).startswith("$argon2id$")


def test_a_password_is_checked_whole_and_as_typed() -> None:
    """v5.0.0-6.2.8: neither cut nor changed."""
    long = "oxbow lantern " * 14 + "9876"
    kept = passwords.hashed(long)
    assert passwords.matches(long, kept)
    for other in (long[:-1], long.upper(), long[:-1] + "x", long + "x"):
        assert not passwords.matches(other, kept)


def test_forms_let_a_password_be_pasted_and_kept_by_a_program(lite_world: World) -> None:
    """v5.0.0-6.2.6, 6.2.7: masked, and nothing keeps a password manager from it."""
    path = people.invite(lite_world.site, lite_world.caller("administrator"), lite_world.people["agent"])
    for page, kind in ((path, "new-password"), ("/sign-in", "current-password")):
        text = lite_world.client().get(page).text
        (field,) = re.findall(r'<input[^>]*name="password"[^>]*>', text)
        assert 'type="password"' in field
        assert f'autocomplete="{kind}"' in field
        assert "readonly" not in field
    script = Path(__file__).parents[3] / "service" / "pages" / "static" / "site.js"
    assert "password" not in script.read_text("utf-8")


def test_nobody_is_given_a_password_by_somebody_else(lite_world: World) -> None:
    """v5.0.0-6.4.1: an administrator hands out a link that works once, and no password."""
    person = people.Person(email="a@soil.example", name="A", role="administrator")
    account, path = people.add_account(lite_world.site, lite_world.caller("administrator"), person)
    assert not account.has_password
    lite_world.clock.move(hours=48)
    with pytest.raises(NotFound):
        signing.account_of_link(
            lite_world.site, lite_world.caller("agent"), path.removeprefix("/set-password/")
        )


def test_no_password_ever_expires(lite_world: World) -> None:
    """v5.0.0-6.2.10."""
    with lite_world.site.database.housekeeping(lite_world.caller("agent")) as look:
        accounts.set_password(
            look, lite_world.people["agent"], passwords.hashed("teal kettle under nineteen maples")
        )
    lite_world.clock.move(days=3650)
    signed = signing.sign_in(
        lite_world.site,
        lite_world.caller("agent"),
        "",
        "agent@soil.example",
        "teal kettle under nineteen maples",
    )
    assert signed.token
