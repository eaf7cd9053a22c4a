"""A page reaches nothing outside of itself: fourteen ways to try, each shown to work without our fetcher."""

from __future__ import annotations

import base64
import io
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pikepdf
import pytest
import weasyprint

from reports.fonts import only_bundled_fonts
from reports.renderer import renderer

SECRET = "the-very-secret-content-of-a-file"
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg=="
)
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9">'


def nested(address: str) -> str:
    picture = f'{SVG}<image href="{address}" width="9" height="9"/></svg>'
    return "data:image/svg+xml;base64," + base64.b64encode(picture.encode()).decode()


# What stands in the head or the body, by what it tries; {} is the address.
ATTACKS = {
    "img": '<img src="{}" alt="a"/>',
    "background": '<p style="background: url({})">a</p>',
    "style sheet": '<link rel="stylesheet" href="{}"/>',
    "import": "<style>@import url({});</style>",
    "font": "<style>@font-face {{ font-family: f; src: url({}) }}</style><p style='font-family: f'>a</p>",
    "picture in a drawing": SVG + '<image href="{}" width="9" height="9"/></svg>',
    "object": '<object data="{}" type="image/png">a</object>',
    "embed": '<embed src="{}" type="image/png"/>',
    "base": '<base href="{}"/><img src="x.png" alt="a"/>',
    "attached by link": '<link rel="attachment" href="{}"/>',
    "attached by anchor": '<a rel="attachment" href="{}">a</a>',
    "frame": '<iframe src="{}"></iframe>',
    "use in a drawing": SVG + '<use href="{}#a"/></svg>',
    "picture in a drawing in a picture": '<img src="{nested}" alt="a"/>',
}
HARMLESS_ANYWAY = {"frame", "use in a drawing"}  # WeasyPrint fetches neither
# A style sheet, a font and the like of a file show nothing of its bytes: these do.
READS_FILES = {"attached by link", "attached by anchor"}


def payload(name: str, address: str) -> str:
    if name == "base":
        address = address.rsplit("/", 1)[0] + "/"
    hole = ATTACKS[name].replace("{nested}", nested(address)).format(address)
    return f'<html lang="en"><head><title>t</title></head><body>{hole}<p>x</p></body></html>'


@pytest.fixture
def asked() -> Iterator[tuple[str, list[str]]]:
    """Address of a listener, and the paths that it was asked for."""
    paths: list[str] = []

    class Listener(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            paths.append(self.path)
            self.send_response(200)
            self.send_header("Content-Type", "image/png")
            self.end_headers()
            self.wfile.write(PIXEL)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Listener)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}/x.png", paths
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "x.png"
    path.write_text(SECRET)
    return path


def all_bytes(data: bytes) -> bytes:
    """A file and what its streams unpack to."""
    document = pikepdf.open(io.BytesIO(data))
    streams = [bytes(item.read_bytes()) for item in document.objects if isinstance(item, pikepdf.Stream)]
    return b"\n".join((data, *streams))


def drawn(markup: str) -> bytes:
    return renderer().draw(markup, "notice", "a4")


def drawn_openly(markup: str) -> bytes:
    """As anybody would draw it who trusts what stands in the page."""
    with only_bundled_fonts():
        written: bytes = weasyprint.HTML(string=markup).write_pdf()
    return written


@pytest.fixture(autouse=True)
def no_renderer_warnings() -> None:
    """What is refused is logged, as is meant here."""


@pytest.mark.parametrize("name", ATTACKS)
def test_the_network_is_not_reached(name: str, asked: tuple[str, list[str]]) -> None:
    address, paths = asked
    drawn(payload(name, address))
    assert paths == []


@pytest.mark.parametrize("name", ATTACKS)
def test_no_file_is_read(name: str, secret: Path) -> None:
    written = all_bytes(drawn(payload(name, secret.as_uri())))
    assert SECRET.encode() not in written
    assert b"EmbeddedFile" not in written


@pytest.mark.parametrize("name", sorted(ATTACKS.keys() - HARMLESS_ANYWAY))
def test_without_our_fetcher_the_network_is_reached(name: str, asked: tuple[str, list[str]]) -> None:
    address, paths = asked
    drawn_openly(payload(name, address))
    assert paths


@pytest.mark.parametrize("name", sorted(READS_FILES))
def test_without_our_fetcher_files_are_read(name: str, secret: Path) -> None:
    assert SECRET.encode() in all_bytes(drawn_openly(payload(name, secret.as_uri())))


def test_data_in_the_page_itself_are_shown() -> None:
    picture = "data:image/png;base64," + base64.b64encode(PIXEL).decode()
    document = pikepdf.open(io.BytesIO(drawn(payload("img", picture))))
    assert len(document.pages[0].Resources.XObject) == 1
