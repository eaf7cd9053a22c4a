"""PDF files made to do harm: each ends in a sentence, and none costs more than a report does."""

from __future__ import annotations

import io
import re
import zlib
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from service import pdf_worker, pdfs
from service.actions import verifying
from service.actions.verifying import MOST_BYTES, verify, verify_file
from service.pdfs import NotReadable, look_into
from service.refusals import Unavailable
from service.web.findings import sentence
from service.web.templates import words
from tests.app.tampering import changed, issue, made_inputs, shipped, with_data, with_steps

BRAY = "marrowdale/phosphorus-bray1"


@pytest.fixture(scope="module")
def report() -> bytes:
    """A report as it was issued."""
    return issue(made_inputs(), shipped())


def why(content: bytes) -> str:
    """Why nothing was checked."""
    found = verify(content)
    assert found.outcome == "not-checked"
    (told,) = found.findings
    return sentence(words("en"), told)


def saved(report: bytes, **options: Any) -> bytes:
    written = io.BytesIO()
    with pikepdf.open(io.BytesIO(report)) as opened:
        opened.save(written, **options)
    return written.getvalue()


def attached(content: bytes, raw: bytes, **entries: Any) -> bytes:
    """The file with other bytes in the place of its data, packed as they are."""

    def write(opened: pikepdf.Pdf) -> None:
        (spec,) = opened.attachments.values()
        stream = spec.get_file().obj
        stream.write(raw, filter=entries.get("filter"))

    return changed(content, write)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "This is no PDF."),
        (b"PK\3\4 a workbook", "This is no PDF."),
        (b"%PDF-1.7\n", "The PDF is damaged."),
        (b"%PDF-1.7\n" + b"\0" * 100_000, "The PDF is damaged."),
    ],
    ids=["empty", "workbook", "begun", "zeros"],
)
def test_what_is_no_pdf(content: bytes, told: str) -> None:
    assert why(content).startswith(told)


def test_a_damaged_table_of_contents_is_not_mended(report: bytes) -> None:
    at = report.rindex(b"startxref")
    assert why(report[:at] + b"startxref\n17\n%%EOF\n").startswith(
        "The PDF is damaged. Nothing is mended here"
    )
    assert why(report[: len(report) // 2]).startswith("The PDF is damaged.")


def test_a_locked_file_is_refused_with_and_without_password(report: bytes) -> None:
    for user in ("", "secret"):
        locked = saved(report, encryption=pikepdf.Encryption(owner="owner", user=user))
        assert why(locked).startswith("The PDF has a password or is locked.")


def test_data_that_unpack_to_gigabytes_are_not_unpacked(report: bytes) -> None:
    packer = zlib.compressobj(9)
    bomb = b"".join(packer.compress(b"0" * 2**20) for _ in range(1024)) + packer.flush()
    assert len(bomb) < 2**21
    assert why(attached(report, bomb, filter=pikepdf.Name.FlateDecode)) == (
        "The data in the PDF are larger than those of any report."
    )


def test_data_packed_in_another_way_are_refused(report: bytes) -> None:
    assert why(attached(report, b"\x01{}\x80", filter=pikepdf.Name.RunLengthDecode)) == (
        "The data in the PDF are packed in a way that reports do not use."
    )


def test_a_page_that_unpacks_to_gigabytes_ends_the_comparison_and_nothing_else(report: bytes) -> None:
    packer = zlib.compressobj(9)
    bomb = b"".join(packer.compress(b"q Q " * 2**18) for _ in range(1500)) + packer.flush()

    def write(opened: pikepdf.Pdf) -> None:
        opened.pages[0].Contents.write(bomb, filter=pikepdf.Name.FlateDecode)

    found = verify(changed(report, write))
    assert found.outcome == "differs"
    told = sentence(words("en"), found.findings[-1])
    assert told.startswith("What is printed could not be compared with what the data give")


def test_a_thousand_pages_are_refused(report: bytes) -> None:
    def grow(opened: pikepdf.Pdf) -> None:
        for _ in range(pdf_worker.MOST_PAGES):
            opened.add_blank_page()

    assert why(changed(report, grow)) == "The PDF has more pages or text than any report."


@pytest.mark.parametrize(
    "raw",
    [
        b"[",
        b"[" * 100_000,
        b"1",
        b'{"format": NaN}',
        b'{"format": 1, "format": 1}',
        b'{"format": "\xff"',
        b'{"format": "\\ud800"}',
        b'{"a":' * 900 + b"1" + b"}" * 900,
        b'{"format": 1e400}',
        b'{"format": 9007199254740993}',
    ],
    ids=[
        "begun", "deep", "number", "no-number", "twice", "no-text", "half-a-character", "rather-deep",
        "endless", "long",
    ],
)  # fmt: skip
def test_data_that_cannot_be_read(report: bytes, raw: bytes) -> None:
    assert why(attached(report, raw)) == "The file that is attached to the PDF cannot be read as data."


def test_a_formula_without_end_is_refused(report: bytes) -> None:
    def deep(data: dict[str, Any]) -> None:
        note = data["tables"]["records"]["notes"]["over-liming"]
        note["when"] = "(" * 200 + "ph" + ")" * 200 + " > 5"

    assert why(with_data(report, deep)).startswith("Nothing can be worked out from the data in the PDF: ")


def test_pages_without_end_are_not_drawn(report: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verifying, "MOST_MARKUP", 10_000)
    found = verify(with_data(report, lambda data: None))
    assert [each.key for each in found.findings] == ["drawn-heavy"]


def test_labels_without_end_are_not_drawn_either(report: bytes) -> None:
    def lengthen(data: dict[str, Any]) -> None:
        inputs = data["inputs"]
        sample, value = inputs["samples"][0], inputs["values"][0]
        names = [f"L{number}" for number in range(250)]
        inputs["samples"] = [sample | {"lab_number": each, "label": f"{each} " * 1500} for each in names]
        inputs["values"] = [value | {"lab_number": each} for each in names]

    found = verify(with_data(report, lengthen))
    assert found.outcome == "differs"
    assert "drawn-heavy" in [each.key for each in found.findings]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data["tables"]["records"]["scales"][BRAY].update(round_to=1e-300),
        lambda data: data["tables"]["records"]["scales"][BRAY].update(scale_top=-1e300),
        lambda data: data["tables"]["records"]["rates"].clear(),
        lambda data: data["tables"]["records"]["methods"].clear(),
        lambda data: data["inputs"]["values"][0].update(value=1e308),
        lambda data: data["inputs"]["values"][0].update(analyte="no such"),
        lambda data: data["inputs"]["values"][0].update(sampled_on="no day"),
        lambda data: data["inputs"]["values"][0].update(sampled_on=None),
        lambda data: data["inputs"]["values"][0].update(lab_number="another"),
        lambda data: data["inputs"]["values"].append(dict(data["inputs"]["values"][0])),
        lambda data: data["inputs"]["samples"][0].update(sampled_on="9999-12-31"),
        lambda data: data["inputs"]["samples"][0].update(region=5.0),
        lambda data: data["inputs"].update(convert=["no such"]),
        lambda data: data["inputs"].update(language="../../etc"),
        lambda data: data["tables"].update(records={"scales": {"x": {}}}),
    ],
)
def test_data_that_nobody_would_write_end_in_a_sentence(report: bytes, spoil: Any) -> None:
    found = verify(with_data(report, spoil))
    assert found.outcome in ("differs", "not-checked")
    for language in ("en", "es"):
        assert all(sentence(words(language), each) for each in found.findings)


def test_what_hides_from_the_comparison_under_the_name_of_attached_data_is_found(report: bytes) -> None:
    def another_face(opened: pikepdf.Pdf) -> None:
        """Fonts of a page behind resources that call themselves attached data; the words stay."""
        page = opened.pages[0].obj
        own = opened.make_indirect(pikepdf.Dictionary(dict(page.Resources.items())))
        own["/Type"] = pikepdf.Name.EmbeddedFile
        own["/ExtGState"] = pikepdf.Dictionary()
        page["/Resources"] = own

    found = verify(changed(report, another_face))
    assert ("printed-part", "Resources") in [(each.key, each.told.get("part")) for each in found.findings]


def test_a_second_attached_file_that_other_programs_would_take_is_found(report: bytes) -> None:
    def write(opened: pikepdf.Pdf) -> None:
        spec = opened.Root.AF[0]
        false = opened.make_stream(b'{"forged": true}', Type=pikepdf.Name.EmbeddedFile)
        other = pikepdf.Dictionary(dict(spec.items()) | {"/EF": pikepdf.Dictionary(F=false)})
        opened.Root.AF = pikepdf.Array([opened.make_indirect(other)])

    assert ("printed-file", "EmbeddedFile") in [
        (each.key, each.told.get("part")) for each in verify(changed(report, write)).findings
    ]


def test_words_behind_the_box_that_ought_to_be_under_them_are_found(report: bytes) -> None:
    """Every step is there, and the steps of each kind are in their order."""

    def hide(_: pikepdf.Page, steps: list[Any]) -> None:
        names = [str(step.operator) for step in steps]
        start = names.index("BT")
        end = names.index("ET") + 1
        box = max(n for n in range(start) if names[n].startswith("f"))
        steps[:] = steps[:box] + steps[start:end] + steps[box:start] + steps[end:]

    found = verify(with_steps(report, 1, hide))
    assert [(each.key, each.page) for each in found.findings] == [("printed-drawing", 1)]


def test_what_comes_from_a_file_is_told_without_unseen_characters(report: bytes) -> None:
    told = why(with_data(report, lambda data: data.update(format="x\x1b[2J\u202e\nreports")))
    assert "the format x?[2J? reports, which" in told


def test_a_program_that_opens_files_without_end_is_stopped(
    monkeypatch: pytest.MonkeyPatch, report: bytes
) -> None:
    monkeypatch.setattr(pdfs, "_WALL_SECONDS", 0.01)
    with pytest.raises(NotReadable, match="heavy"):
        look_into(report)


def test_no_more_files_are_opened_at_once_than_the_machine_has_memory_for(
    monkeypatch: pytest.MonkeyPatch, report: bytes
) -> None:
    monkeypatch.setattr(pdfs, "_SECONDS_TO_WAIT", 0.01)
    assert pdfs._open.acquire(blocking=False)
    assert look_into(report).pages > 0
    assert pdfs._open.acquire(blocking=False)
    try:
        with pytest.raises(Unavailable, match="many PDF files are being opened") as caught:
            verify(report)
        assert caught.value.fix.startswith("wait a minute")
    finally:
        pdfs._open.release()
        pdfs._open.release()
    assert look_into(report).pages > 0


def test_the_worker_refuses_to_use_more_memory_than_it_may() -> None:
    assert pdf_worker.MEMORY_BYTES <= 2**30
    assert pdf_worker.CPU_SECONDS <= 30


@pytest.mark.parametrize("seed", range(12))
def test_bytes_changed_anywhere_never_hold_and_never_crash(report: bytes, seed: int) -> None:
    """Twelve places spread over the file; what is changed there is noticed or cannot be opened."""
    at = 40 + (len(report) - 80) * seed // 12
    spoiled = report[:at] + bytes(each ^ 0x55 for each in report[at : at + 8]) + report[at + 8 :]
    found = verify(spoiled)
    assert found.outcome in ("differs", "not-checked") or [each.key for each in found.remarks] == [
        "other-bytes", "nobody-vouched"
    ]  # fmt: skip
    assert all(sentence(words("en"), each) for each in found.findings)


def test_a_file_that_is_not_there_or_too_large_is_told(tmp_path: Any) -> None:
    (told,) = verify_file(tmp_path / "none.pdf").findings
    assert sentence(words("en"), told) == "The file cannot be opened: No such file or directory."
    large = tmp_path / "large.pdf"
    with large.open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    (told,) = verify_file(large).findings
    assert sentence(words("en"), told) == "The file is larger than 20 MiB. A report is smaller."


def test_every_reason_of_the_worker_has_its_sentence() -> None:
    sources = (Path(pdf_worker.__file__), Path(pdfs.__file__))
    named = re.findall(
        r'(?:Refused|NotReadable)\("([a-z-]+)"\)', "".join(path.read_text() for path in sources)
    )
    assert set(named) == {"encrypted", "damaged", "long", "large", "packed", "heavy", "not-pdf"}
    for language in ("en", "es"):
        assert [each for each in named if not words(language).has(f"verify.says-{each}")] == []
