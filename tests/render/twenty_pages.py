"""Twenty different pages, to be drawn in any process and in any order."""

from __future__ import annotations

import hashlib

from reports.build import build_report
from reports.notice import notice_pdf
from reports.render import pdf
from reports.sheet import build_sheet
from service.logos import read_logo
from tests.render.demo_run import run_sheet
from tests.render.demo_world import field, laboratory
from tests.render.logo_pictures import drawing, file, photograph
from tests.render.test_layouts import one_sample

NUMBERS = range(20)


def drawn(number: int) -> bytes:
    """Draw one of them."""
    language, paper = ("en", "es")[number % 2], ("a4", "letter")[number // 2 % 2]
    if number == 0:
        return notice_pdf("Gone", "This report was erased.", language)
    if number == 1:
        return pdf(build_sheet(run_sheet(), laboratory(), locale=language))
    if number == 2:
        return pdf(build_report(field(), laboratory(agent_comment="Call me."), locale=language))
    name = ("Long Acre", "Длинное поле", "लम्बा खेत", "الحقل الطويل")[number % 4]
    logo = read_logo(file(drawing() if number == 7 else photograph()), "logo") if number in (7, 8) else ""
    card = laboratory(report_id=f"R-{number}", logo=logo)
    return pdf(build_report(one_sample(field_name=f"{name} {number}"), card, locale=language), paper)  # type: ignore[arg-type]


def digest(number: int) -> str:
    """SHA-256 of one of them."""
    return hashlib.sha256(drawn(number)).hexdigest()


if __name__ == "__main__":
    import sys

    for text in sys.argv[1:]:
        print(digest(int(text)))
