"""A report that somebody holds: whatever was changed in it is found, and said in words."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pikepdf
import pypdfium2
import pytest

from reports.render import pdf
from service.actions.reportinputs import advise_each, page_of
from service.actions.verifying import Verified, verify
from service.pdfs import compare
from service.web.findings import sentence
from service.web.templates import words
from tests.app.tampering import (
    DAY,
    changed,
    data_in,
    forged,
    issue,
    made_inputs,
    shipped,
    with_data,
    with_number,
    with_steps,
)

Change = Callable[[dict[str, Any]], Any]


@pytest.fixture(scope="module")
def report() -> bytes:
    """A report as it was issued."""
    return issue(made_inputs(), shipped())


@pytest.fixture(scope="module")
def other() -> bytes:
    """Another field's report."""
    return issue(made_inputs(phosphorus=31.0, field_name="Mill Piece"), shipped())


def said(found: Verified) -> list[str]:
    """What differs, in words."""
    return [sentence(words("en"), each) for each in found.findings]


def found_in(content: bytes) -> list[str]:
    """What differs in a file that was changed."""
    found = verify(content)
    assert found.outcome == "differs"
    assert words("es").language == "es"
    assert len([sentence(words("es"), each) for each in found.findings]) == len(found.findings)
    return said(found)


def test_a_report_as_it_was_issued_holds_to_the_byte(report: bytes) -> None:
    found = verify(report)
    assert (found.outcome, said(found)) == ("holds", [])
    assert [each.key for each in found.confirmed] == ["data-hold", "same-bytes"]
    assert [each.key for each in found.remarks] == ["nobody-vouched"]
    assert found.report_id == data_in(report)["inputs"]["card"]["report_id"]
    assert (found.field_name, found.issued_on) == ("Long Meadow", "2026-04-17")


@pytest.mark.parametrize("style", [{"language": "es"}, {"units": "us", "paper": "letter"}])
def test_so_does_one_in_another_language_unit_and_paper(style: dict[str, str]) -> None:
    found = verify(issue(made_inputs(**style), shipped()))
    assert [each.key for each in found.confirmed] == ["data-hold", "same-bytes"]


def test_a_file_that_another_program_saved_again_holds(report: bytes) -> None:
    found = verify(changed(report, lambda opened: None))
    assert found.outcome == "holds"
    assert [each.key for each in found.confirmed] == ["data-hold", "same-pages"]
    assert "another program has saved the file again" in sentence(words("en"), found.remarks[0])


# ------------------------------------------------------------------------------------------- the pages


def test_a_number_on_a_page_is_found(report: bytes) -> None:
    amount = next(each for each in data_in(report)["advice"]["amounts"] if each["rate"] and each["rate"] > 10)
    printed = f"{amount['rate']:g}"
    other = next(number for number in map(str, range(11, 100)) if number != printed)
    told = found_in(with_number(report, 1, printed, other))
    unit = amount["unit"]
    assert told[0].startswith(
        f"Page 1: printed is '{other} {unit}', and the data give '{printed} {unit}'. Line: "
    )
    assert len(told) == 1


def texts(content: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(content)
    return [page.get_textpage().get_text_range() for page in document]


def test_a_bar_that_is_drawn_longer_is_found_where_no_word_differs(report: bytes) -> None:
    def longer(_: pikepdf.Page, steps: list[Any]) -> None:
        at = max(number for number, step in enumerate(steps) if str(step.operator) == "re")
        left, top, width, height = steps[at].operands
        steps[at] = pikepdf.ContentStreamInstruction([left, top, width + 3, height], steps[at].operator)

    page = len(texts(report)) - 1
    (told,) = found_in(with_steps(report, page, longer))
    assert told.startswith(f"Page {page}: a line, box or bar is drawn otherwise than the data give, about ")


def test_letters_that_are_moved_are_found_where_no_word_differs(report: bytes) -> None:
    def moved(_: pikepdf.Page, steps: list[Any]) -> None:
        at = next(number for number, step in enumerate(steps) if str(step.operator) == "Tm")
        *rest, left, top = steps[at].operands
        steps[at] = pikepdf.ContentStreamInstruction([*rest, left, top + 1], steps[at].operator)

    assert found_in(with_steps(report, 1, moved)) == [
        "Page 1: the words are the same, but letters are set otherwise than the data give."
    ]


def test_another_shape_of_a_letter_is_found(report: bytes) -> None:
    def reshaped(opened: pikepdf.Pdf) -> None:
        font = next(iter(opened.pages[0].Resources.Font.values()))
        stream = font.DescendantFonts[0].FontDescriptor.FontFile2
        stream.write(stream.read_bytes()[:-4] + b"\0\1\2\3")

    assert "Page 1: what the page is drawn with is another one than the data give: Resources." in found_in(
        changed(report, reshaped)
    )


def test_another_picture_is_found_whatever_way_it_is_packed(report: bytes) -> None:
    def with_picture(raw: bytes) -> bytes:
        def added(opened: pikepdf.Pdf) -> None:
            picture = pikepdf.Stream(opened, raw, Type=pikepdf.Name.XObject, Subtype=pikepdf.Name.Image)
            picture.write(raw, filter=pikepdf.Name.DCTDecode)
            opened.pages[0].Resources.XObject = pikepdf.Dictionary(Im1=picture)

        return changed(report, added)

    one, two = with_picture(b"\xff\xd8one"), with_picture(b"\xff\xd8two")
    assert compare(one, one) == ()
    assert compare(one, two) == ({"key": "part", "page": 1, "part": "Resources"},)


def test_a_page_more_is_found(report: bytes) -> None:
    told = found_in(changed(report, lambda opened: opened.add_blank_page()))
    pages = len(texts(report))
    assert f"The file has {pages + 1} pages, and the data give {pages}." in told


def test_another_title_is_found(report: bytes) -> None:
    def retitled(opened: pikepdf.Pdf) -> None:
        opened.docinfo["/Title"] = "Another"

    assert found_in(changed(report, retitled)) == [
        "Description of the file, Title: it says 'Another', and the data give 'Soil report: Long Meadow'."
    ]


def test_a_file_that_does_something_when_opened_is_found(report: bytes) -> None:
    def armed(opened: pikepdf.Pdf) -> None:
        opened.Root.OpenAction = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.alert(1)")

    assert found_in(changed(report, armed)) == [
        "The file does something when it is opened (OpenAction). A report never does."
    ]


# -------------------------------------------------------------------------------------------- the data


def a_value(data: dict[str, Any]) -> None:
    data["inputs"]["values"][0]["value"] = 31.0


def a_class(data: dict[str, Any]) -> None:
    data["advice"]["results"][0]["class_name"] = "very high"


def an_amount(data: dict[str, Any]) -> None:
    each = next(each for each in data["advice"]["amounts"] if each["rate"])
    each["rate"] += 5


def a_step(data: dict[str, Any]) -> None:
    each = next(each for each in data["advice"]["amounts"] if each["working"])
    each["working"] = each["working"][1:]


def a_note(data: dict[str, Any]) -> None:
    del data["advice"]["notes"][0]


def a_limit(data: dict[str, Any]) -> None:
    data["tables"]["records"]["scales"]["marrowdale/phosphorus-bray1"]["classes"][1]["from"] = 1.0


def the_number(data: dict[str, Any]) -> None:
    data["inputs"]["card"]["report_id"] = "AAAA-BBBB-CCCC"


def the_laboratory(data: dict[str, Any]) -> None:
    data["inputs"]["card"]["name"] = "Another Laboratory"


def a_unit_code(data: dict[str, Any]) -> None:
    data["column_units"]["area_ha"] = "ha"


def a_person(data: dict[str, Any]) -> None:
    data["prov:wasGeneratedBy"]["prov:wasAssociatedWith"][1]["label"] = "Somebody else"


OF_P = "1 North, P bray1-1:10-colour"
FOLLOWS = "and from the values and tables follows "
TOLD = {
    a_value: (
        f"Value of {OF_P}: the data say 9 mg/kg, and from the values follows 31 mg/kg.",
        "Number of the report: the data say ",
        "Page 1: ",
    ),
    a_class: (f"Class of {OF_P}: the data say very high, {FOLLOWS}",),
    an_amount: (f"Amount for {OF_P[:7]}, ", FOLLOWS),
    a_step: ("the data say other steps than follow from the values and tables.",),
    a_note: ("belongs into the report, and the data lack it.",),
    a_limit: (
        "The tables in the file are not those that were put into it: their digest is another one.",
        "The table marrowdale/phosphorus-bray1 in the file is not the one that the result was made by",
        f"Limits of the classes of {OF_P}: the data say others than the table in the file.",
    ),
    the_number: (
        "Number of the report: the data say AAAA-BBBB-CCCC, and from the report's content follows ",
        "Page 1: printed is ",
    ),
    the_laboratory: ("Number of the report: ", "Another Laboratory"),
    a_unit_code: ("Data, /column_units/area_ha: the file says ha, and it should be har.",),
    a_person: ("/prov:wasAssociatedWith/1/label: the file says Somebody else, and it should be ",),
}


@pytest.mark.parametrize("change", TOLD, ids=lambda change: change.__name__)
def test_a_change_of_the_data_is_found(report: bytes, change: Change) -> None:
    found = "\n".join(found_in(with_data(report, change)))
    assert [each for each in TOLD[change] if each not in found] == []


def test_a_class_changed_in_the_data_alone_leaves_the_pages_as_they_ought_to_be(report: bytes) -> None:
    assert [each.key for each in verify(with_data(report, a_class)).findings] == ["class"]


def test_a_file_forged_as_a_whole_agrees_with_itself(report: bytes) -> None:
    """Other limits, with fingerprint, class, number and pages to match: only a database can tell."""

    def lower(records: dict[str, Any]) -> None:
        records["scales"]["marrowdale/phosphorus-bray1"]["classes"][1]["from"] = 1.0

    found = verify(forged(report, lower))
    assert found.outcome == "holds"
    assert "nobody but the file says" in sentence(words("en"), found.remarks[0])


def test_the_data_of_another_report_are_found(report: bytes, other: bytes) -> None:
    def swapped(data: dict[str, Any]) -> None:
        data.clear()
        data.update(data_in(other))

    told = "\n".join(found_in(with_data(report, swapped)))
    assert "printed is 'Long Meadow', and the data give 'Mill Piece'" in told
    assert "Description of the file, Title" in told


def test_without_its_data_a_report_cannot_be_checked(report: bytes) -> None:
    def bare(opened: pikepdf.Pdf) -> None:
        del opened.attachments["soil-report.json"]

    found = verify(changed(report, bare))
    assert found.outcome == "not-checked"
    assert said(found) == [
        "The PDF carries no data. A report carries soil-report.json, so this is none, or its data were taken "
        "out."
    ]


def test_a_second_file_is_found(report: bytes, other: bytes) -> None:
    def added(opened: pikepdf.Pdf) -> None:
        opened.attachments["more.txt"] = pikepdf.AttachedFileSpec(opened, b"hello")

    def doubled(opened: pikepdf.Pdf) -> None:
        with pikepdf.open(io.BytesIO(other)) as second:
            (spec,) = second.attachments.values()
            opened.attachments["b.json"] = pikepdf.AttachedFileSpec(opened, spec.get_file().read_bytes())

    assert "2 files are attached. A report carries one." in found_in(changed(report, added))
    found = verify(changed(report, doubled))
    assert (found.outcome, said(found)) == (
        "not-checked",
        ["The PDF carries the data of 2 reports, so it is not clear which are its own."],
    )


def test_another_version_is_told_with_what_may_come_from_it(report: bytes) -> None:
    inputs = made_inputs()
    (advice,) = advise_each([inputs], shipped())
    issued = inputs.on(DAY, advice.model_dump_json())
    page = page_of(issued, advice, shipped())
    older = page.attachment.replace('"version":"', '"version":"0.0.1-')
    older = older.replace('"label":"furrowslice ', '"label":"furrowslice 0.0.1-')
    found = verify(pdf(replace(page, attachment=older)))
    assert found.outcome == "holds"
    assert "was made by furrowslice 0.0.1-" in sentence(words("en"), found.remarks[0])


def test_a_report_of_the_first_format_says_what_can_be_checked(report: bytes) -> None:
    def first(data: dict[str, Any]) -> None:
        card, advice = data["inputs"]["card"], data["advice"]
        data.clear()
        data.update({"format": "furrowslice-field-report-1", "laboratory": card, "advice": advice})

    found = verify(with_data(report, first))
    assert found.outcome == "not-checked"
    assert "Without a database nothing of a report of the first format can be checked." in said(found)[0]
    assert found.report_id


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda data: data.update(format="furrowslice-field-report-9"), "of the format furrowslice-field"),
        (lambda data: data.update(more=1), "are not as the format asks: more: "),
        (lambda data: data["inputs"]["values"][0].pop("unit"), "are not as the format asks: inputs/values"),
        (lambda data: data["inputs"]["samples"].clear(), "are not as the format asks: inputs/samples"),
        (lambda data: data["inputs"].update(language="x" * 30_000), "more samples, values or text than any"),
        (lambda data: data["tables"]["records"]["regions"].clear(), "Nothing can be worked out from the"),
        (lambda data: data["tables"]["records"]["crops"].update(maize={"id": 1}), "the format asks: tables"),
    ],
)  # fmt: skip
def test_data_that_are_none_are_refused_in_words(report: bytes, change: Change, told: str) -> None:
    found = verify(with_data(report, change))
    assert found.outcome == "not-checked"
    assert told in said(found)[0]


def test_an_unknown_language_is_told(report: bytes) -> None:
    found = verify(with_data(report, lambda data: data["inputs"].update(language="xx")))
    assert any(each.startswith("The pages could not be drawn again") for each in said(found))
