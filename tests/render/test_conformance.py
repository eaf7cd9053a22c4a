"""Every kind of page passes the checks of ``conformance``, and a damaged file does not."""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from reports.build import build_report
from reports.render import PAPERS, pdf
from reports.sheet import build_sheet
from reports.view import Notice
from service.logos import read_logo
from tests.render.conformance import faults
from tests.render.demo_world import amount, field, laboratory, result, sample
from tests.render.logo_pictures import drawing, file, photograph
from tests.render.test_layouts import REPORTS, SHEETS, one_sample

LAB = laboratory(agent_comment="Please call me before you lime the north end.", agent_name="J. Marlow")


def rows(count: int) -> Any:
    numbers = [f"Q26-{number:04}" for number in range(count)]
    return field(
        samples=tuple(sample(number, f"Zone {number[-2:]}") for number in numbers),
        results=tuple(result(number) for number in numbers),
        amounts=tuple(amount(number, "P2O5", 60.0) for number in numbers),
    )


ADVICE = {
    **REPORTS,
    **{f"{count} rows": rows(count) for count in (1, 12, 40)},
    "draft": field(draft=True, example=False),
    "neither example nor draft": field(draft=False, example=False),
}  # fmt: skip
DATA = '{"own":1}'
LOGOS = {"png": read_logo(file(drawing()), "logo"), "jpeg": read_logo(file(photograph()), "logo")}
STYLES = [(locale, units, paper) for locale in ("en", "es") for units in ("metric", "us") for paper in PAPERS]
VARIANTS: dict[str, Callable[[], bytes]] = {
    **{
        f"plain report {' '.join(style)}": lambda style=style: pdf(
            build_report(field(), LAB, locale=style[0], units=style[1], attachment=DATA), style[2]
        )
        for style in STYLES
    },
    **{
        f"report {name}": lambda name=name: pdf(build_report(ADVICE[name], LAB, attachment=DATA))
        for name in ADVICE
    },
    **{
        f"sheet {name}": lambda name=name: pdf(build_sheet(SHEETS[name], laboratory()), "letter")
        for name in SHEETS
    },
    **{
        f"report with a logo, {name}": lambda name=name: pdf(
            build_report(field(), laboratory(logo=LOGOS[name]))
        )
        for name in LOGOS
    },
    "sheet with a logo": lambda: pdf(build_sheet(SHEETS["plain"], laboratory(logo=LOGOS["png"]))),
    "report without data": lambda: pdf(build_report(field(), LAB)),
    **{
        f"notice {language}": lambda language=language: pdf(Notice(language, "Gone", "It was erased."))
        for language in ("en", "es")
    },
}


@pytest.mark.parametrize("name", VARIANTS)
def test_every_page_conforms(name: str, tmp_path: Path) -> None:
    written = VARIANTS[name]()
    assert faults(written) == []
    path = tmp_path / "page.pdf"
    path.write_bytes(written)
    qpdf = shutil.which("qpdf")
    assert qpdf, "the suite needs qpdf: ./run test installs it"
    said = subprocess.run([qpdf, "--check", path], capture_output=True, text=True, check=False, timeout=60)
    assert said.returncode == 0, said.stdout + said.stderr
    assert "No syntax or stream encoding errors found" in said.stdout


# ------------------------------------------------------------------------------------------ damage


@cache
def sound() -> bytes:
    card = LAB.model_copy(update={"logo": LOGOS["png"]})
    return pdf(build_report(one_sample(), card, attachment=DATA))


def elements(document: Any, kind: str) -> list[Any]:
    found, waiting = [], [document.Root.StructTreeRoot]
    while waiting:
        item = waiting.pop(0)
        if isinstance(item, pikepdf.Array):
            waiting = [*item, *waiting]
        elif isinstance(item, pikepdf.Dictionary):
            found += [item] if item.get("/S") == kind else []
            waiting = [*([item.K] if "/K" in item else []), *waiting]
    return found


def metadata(document: Any, old: bytes, new: bytes) -> None:
    written = bytes(document.Root.Metadata.read_bytes())
    assert old in written
    document.Root.Metadata.write(written.replace(old, new))


def page(document: Any, old: bytes, new: bytes) -> None:
    written = bytes(document.pages[0].Contents.read_bytes())
    assert old in written
    document.pages[0].Contents.write(written.replace(old, new, 1))


def give(item: Any, key: str, value: Any) -> None:
    item[key] = value


def attached(document: Any) -> Any:
    return document.Root.Names.EmbeddedFiles.Names[1]


def font(document: Any) -> Any:
    return next(iter(document.pages[0].Resources.Font.values()))


def image(document: Any) -> Any:
    return next(iter(document.pages[0].Resources.XObject.values()))


def orphan(document: Any) -> None:
    """Take the first table out of the tree, so that its content belongs nowhere."""
    table = elements(document, "/Table")[0]
    table.P.K = pikepdf.Array([kid for kid in table.P.K if kid.objgen != table.objgen])


Name = pikepdf.Name
DAMAGE: dict[str, tuple[Callable[[Any], object], str]] = {
    "not tagged": (lambda d: give(d.Root.MarkInfo, "/Marked", False), "not marked as tagged"),
    "file name as title": (lambda d: d.Root.__delitem__("/ViewerPreferences"), "would not be displayed"),
    "no language": (lambda d: give(d.Root, "/Lang", ""), "no language"),
    "no colours": (lambda d: d.Root.__delitem__("/OutputIntents"), "no output intent"),
    "no profile": (
        lambda d: d.Root.OutputIntents[0].DestOutputProfile.write(b"x" * 99), "output intent is none"),
    "no metadata": (lambda d: d.Root.__delitem__("/Metadata"), "no metadata"),
    "two roots": (lambda d: metadata(d, b"</x:xmpmeta>", b"<r/></x:xmpmeta>"), "not one RDF"),
    "no part of PDF/A": (lambda d: metadata(d, b'pdfaid:part="3"', b""), "pdfaid:part 3"),
    "another level": (
        lambda d: metadata(d, b'conformance="A"', b'conformance="B"'), "pdfaid:conformance A"),
    "no part of PDF/UA": (lambda d: metadata(d, b'pdfuaid:part="1"', b""), "pdfuaid:part 1"),
    "no description of it": (
        lambda d: metadata(d, b"pdfaSchema:namespaceURI", b"pdfaSchema:x"), "properties of PDF/UA"),
    "another title": (lambda d: give(d.docinfo, "/Title", "Untitled"), "the titles"),
    "another author": (lambda d: give(d.docinfo, "/Author", "Nobody"), "the authors"),
    "attached twice": (lambda d: d.Root.AF.append(d.Root.AF[0]), "each once"),
    "not associated": (lambda d: d.Root.__delitem__("/AF"), "each once"),
    "two names": (lambda d: give(attached(d), "/F", "other.json"), "has no name, or two"),
    "no kind": (lambda d: attached(d).EF.F.__delitem__("/Subtype"), "kind of soil-report.json"),
    "no relation": (lambda d: attached(d).__delitem__("/AFRelationship"), "belongs to the page"),
    "no day": (lambda d: attached(d).EF.F.Params.__delitem__("/ModDate"), "the day of"),
    "script": (
        lambda d: give(d.Root, "/OpenAction", pikepdf.Dictionary(S=Name.JavaScript, JS="1")),
        "an object has /JS"),
    "program": (
        lambda d: give(d.Root, "/X", d.make_indirect(pikepdf.Dictionary(S=Name.Launch))),
        "an action of kind /Launch"),
    "LZW": (lambda d: give(d.Root, "/X", d.make_indirect(
        pikepdf.Stream(d, b"\x80\x0b\x60\x50\x22\x0c\x0c\x85\x01", Filter=Name.LZWDecode))), "LZW"),
    "stream elsewhere": (
        lambda d: give(d.pages[0].Contents, "/F", "other"), "stands in another file"),
    "font elsewhere": (
        lambda d: font(d).DescendantFonts[0].FontDescriptor.__delitem__("/FontFile2"), "is not embedded"),
    "smoothed image": (lambda d: give(image(d), "/Interpolate", True), "asks to be smoothed"),
    "image for a press": (lambda d: give(image(d), "/ColorSpace", Name.DeviceCMYK), "colours of an image"),
    "image with another": (lambda d: give(image(d), "/Alternates", pikepdf.Array()), "others in its place"),
    "no letters": (lambda d: font(d).__delitem__("/ToUnicode"), "cannot be read out"),
    "paint outside": (
        lambda d: page(d, b"/Artifact\nBMC", b"0 0 9 9 re f /Artifact BMC"), "f paints outside"),
    "number of no tag": (lambda d: page(d, b"/MCID 0", b"/MCID 99999"), "page 1: the numbers of its tags"),
    "tagged artifact": (
        lambda d: page(d, b"/Artifact\nBMC", b"/Artifact BMC /Span <<>> BDC EMC"), "an artifact at once"),
    "no structure": (lambda d: d.Root.__delitem__("/StructTreeRoot"), "no structure"),
    "orphan": (orphan, "outside of the tree"),
    "unknown kind": (lambda d: give(elements(d, "/P")[0], "/S", Name.Paragraph), "no kind of element"),
    "wrong parent": (lambda d: give(elements(d, "/P")[0], "/P", d.Root), "names another parent"),
    "skipped heading": (lambda d: give(elements(d, "/H2")[0], "/S", Name.H4), "skip a level"),
    "silent picture": (lambda d: elements(d, "/Figure")[0].__delitem__("/Alt"), "not told in words"),
    "picture off the page": (
        lambda d: give(elements(d, "/Figure")[0].A, "/BBox", pikepdf.Array([0, 0, 9999, 9])),
        "not on its page"),
    "nameless header": (lambda d: elements(d, "/TH")[0].__delitem__("/ID"), "has no identity"),
    "cell without header": (lambda d: elements(d, "/TD")[0].A.__delitem__("/Headers"), "names no header"),
    "cell outside": (lambda d: give(elements(d, "/TR")[0], "/S", Name.Div), "a /TH stands in /Div"),
    "list of paragraphs": (lambda d: give(elements(d, "/LI")[0], "/S", Name.P), "a /P stands in /L"),
}  # fmt: skip


def saved(document: Any) -> bytes:
    buffer = io.BytesIO()
    document.save(buffer, compress_streams=False, stream_decode_level=pikepdf.StreamDecodeLevel.none)
    return buffer.getvalue()


def test_a_file_saved_again_is_still_sound() -> None:
    assert faults(saved(pikepdf.open(io.BytesIO(sound())))) == []


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_is_seen(name: str) -> None:
    harm, said = DAMAGE[name]
    document = pikepdf.open(io.BytesIO(sound()))
    harm(document)
    found = faults(saved(document))
    assert any(said in fault for fault in found), found


def test_damage_of_the_bytes_is_seen() -> None:
    assert "the head is not" in faults(sound().replace(b"%PDF-1.7", b"%PDF-1.4", 1))[0]
    broken = sound().replace(b"endstream", b"endstroem", 1)
    assert any(fault.startswith("the file: ") for fault in faults(broken))
    document = pikepdf.open(io.BytesIO(sound()))
    buffer = io.BytesIO()
    document.save(buffer, encryption=pikepdf.Encryption(owner="o", user=""))
    assert "it is encrypted" in faults(buffer.getvalue())
