"""A report that somebody holds as a file, held against what its own data say and against the database.

The data inside a report are enough to work it out again. So classes, amounts and notes are worked out anew
from the inputs and the tables in the file, the pages are drawn again, and the file is compared with them: to
the byte, or else word by word and line by line. Whoever makes a file from other inputs and other tables makes
one that agrees with itself: that it was issued, and by which tables, only the database can tell.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from interpretation.errors import FurrowsliceError
from reports.render import html
from service.actions.datachecking import BROKEN, Due, Finding, found_in, work_out
from service.actions.reportdocument import NoReportData, ReportData, plain_data, report_data
from service.actions.reporting import press
from service.actions.reportinputs import page_of
from service.books import SHARED, canonical, digest
from service.callers import Caller, Right
from service.pdfs import NotReadable, Opened, compare, look_into
from service.refusals import Unavailable
from service.releases import Content, content_of
from service.reportdata.writing import software
from service.site import Site
from service.store import releases, vouching
from service.store.database import Look

Outcome = Literal["holds", "differs", "not-checked"]
NAMES_OF_DATA = "furrowslice-field-report-"
_IDENTITY = re.compile(r"\b[A-Z2-7]{4}-[A-Z2-7]{4}-[A-Z2-7]{4}\b")
# Letters of a page's markup; three hundred samples with twelve values each have half of that. Whoever is
# let draw more holds up the pages of everybody else for minutes.
MOST_MARKUP = 1_000_000
MOST_BYTES = 20 * 1024 * 1024  # on the command line; the server takes no larger uploads than it is set to


@dataclass(frozen=True)
class Verified:
    """What became of checking one file.

    Attributes
    ----------
    outcome
        ``holds``, ``differs``, or ``not-checked`` where it is no report or cannot be read.
    findings
        What differs, or why nothing was checked.
    confirmed
        What was found to be as it ought to be.
    remarks
        What must be known besides, such as that another report replaces it.
    vouched
        Whether a database was asked.
    """

    outcome: Outcome
    sha256: str
    report_id: str = ""
    issued_on: str = ""
    laboratory: str = ""
    field_name: str = ""
    made_by: str = ""
    vouched: bool = False
    findings: tuple[Finding, ...] = ()
    confirmed: tuple[Finding, ...] = ()
    remarks: tuple[Finding, ...] = ()


@dataclass
class _Notes:
    """What is gathered on the way."""

    findings: list[Finding] = field(default_factory=list)
    confirmed: list[Finding] = field(default_factory=list)
    remarks: list[Finding] = field(default_factory=list)


def may_verify(site: Site, caller: Caller) -> None:
    """Refuse whoever may not know which reports there are.

    Raises
    ------
    NotAllowed
        As said.
    """
    with site.database.look(caller, Right.READ_REPORTS):
        pass


def verify(content: bytes, site: Site | None = None, caller: Caller | None = None) -> Verified:
    """Check one file.

    Parameters
    ----------
    content
        The file, whoever it is from.
    site, caller
        The server whose database is asked as well, and who asks; None: the file alone is checked.

    Raises
    ------
    NotAllowed
        If the caller may not read reports.
    """
    sha256 = hashlib.sha256(content).hexdigest()
    if site is not None and caller is not None:
        may_verify(site, caller)  # before anything is opened
    try:
        opened = look_into(content)
        plain = _data_of(opened, site, caller)
        if str(plain.get("format")) == f"{NAMES_OF_DATA}1":
            return _old(sha256, plain, site, caller)
        data = report_data(plain)
        due = work_out(data)
    except NotReadable as refused:
        return Verified("not-checked", sha256, findings=(Finding(str(refused)),))
    except NoReportData as refused:
        found = Finding(refused.reason, refused.told)
        return Verified(
            "differs" if refused.reason == "data-gone" else "not-checked", sha256, findings=(found,)
        )
    notes = _Notes()
    if len(opened.files) > 1:
        notes.findings.append(Finding("files", {"count": len(opened.files)}))
    notes.findings += found_in(data, plain, due)
    if not notes.findings:
        notes.confirmed.append(Finding("data-hold", _counted(due)))
    at = len(notes.findings)
    drawn = _draw_again(content, data, due, notes)
    if site is not None and caller is not None:
        with site.database.look(caller, Right.READ_REPORTS) as look:
            _ask(look, sha256, data, notes)
    else:
        notes.remarks.append(Finding("nobody-vouched"))
    if drawn and any(each.key == "issued" for each in notes.confirmed):
        # Nobody changed this file: it is the program that draws otherwise than on the day of issue.
        notes.remarks.append(Finding("drawn-otherwise"))
    else:
        notes.findings[at:at] = drawn
    card = data.inputs.card
    outcome: Outcome = "differs" if notes.findings else "holds"
    return Verified(
        outcome, sha256, card.report_id, card.issued_on.isoformat(), card.name,
        due.advice.field_name or due.advice.field_id, f"{data.software.name} {data.software.version}",
        site is not None, tuple(notes.findings), tuple(notes.confirmed), tuple(notes.remarks),
    )  # fmt: skip


def verify_file(path: Path, site: Site | None = None, caller: Caller | None = None) -> Verified:
    """Check a file on this machine; one that cannot be opened is told like any other that is not checked."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        return Verified(
            "not-checked", "", findings=(Finding("not-opened", {"problem": error.strerror or "-"}),)
        )
    if len(content) > MOST_BYTES:
        return Verified("not-checked", "", findings=(Finding("too-large", {"mib": MOST_BYTES // 1024**2}),))
    return verify(content, site, caller)


def _data_of(opened: Opened, site: Site | None, caller: Caller | None) -> dict[str, Any]:
    """The data of the one report that a file carries."""
    found = []
    reason = NoReportData("no-data")
    for _, text in opened.files:
        try:
            plain = plain_data(text)
        except NoReportData as refused:
            reason = refused
            continue
        if str(plain.get("format", "")).startswith(NAMES_OF_DATA):
            found.append(plain)
        else:
            reason = NoReportData("other-format", format=str(plain.get("format", "-"))[:100])
    if len(found) > 1:
        raise NoReportData("several-data", count=str(len(found)))
    if found:
        return found[0]
    if not opened.files and site is not None and caller is not None:
        _refuse_known(opened, site, caller)
    raise reason


def _refuse_known(opened: Opened, site: Site, caller: Caller) -> None:
    """Say so where the pages name a report that was issued, and its data were taken out of the file."""
    printed = dict.fromkeys(each for text in opened.printed for each in _IDENTITY.findall(text))
    with site.database.look(caller, Right.READ_REPORTS) as look:
        for identity in list(printed)[:5]:
            if vouching.issued_as(look, identity) is not None:
                raise NoReportData("data-gone", report=identity)


def _old(sha256: str, plain: Mapping[str, Any], site: Site | None, caller: Caller | None) -> Verified:
    """A report of the first format holds no inputs: only a database can tell whether it was issued so."""
    card = plain.get("laboratory")
    told = {
        name: str(card.get(name, ""))[:200] if isinstance(card, dict) else ""
        for name in ("report_id", "name")
    }
    notes = _Notes(remarks=[Finding("old")])
    outcome: Outcome = "not-checked"
    if site is not None and caller is not None:
        with site.database.look(caller, Right.READ_REPORTS) as look:
            _ask_issued(look, sha256, told["report_id"], notes)
        if notes.findings:
            outcome = "differs"
        elif notes.confirmed:
            outcome = "holds"
        else:  # erased: nothing of it is left to compare with, and anybody can write its number on a file
            notes.findings, notes.remarks = notes.remarks[1:], notes.remarks[:1]
    else:
        notes.findings.append(Finding("old-alone"))
    return Verified(
        outcome, sha256, told["report_id"], laboratory=told["name"], vouched=site is not None,
        findings=tuple(notes.findings), confirmed=tuple(notes.confirmed), remarks=tuple(notes.remarks),
    )  # fmt: skip


def _counted(due: Due) -> dict[str, int]:
    advice = due.advice
    classes = sum(result.class_name is not None for result in advice.results)
    amounts = sum(amount.rate is not None for amount in advice.amounts)
    return {"classes": classes, "amounts": amounts, "notes": len(advice.notes)}


# ------------------------------------------------------------------------------------------- the pages


def _draw_again(content: bytes, data: ReportData, due: Due, notes: _Notes) -> list[Finding]:
    """Draw what the data give, and compare the file with it; returns what differs."""
    here = software()
    other = data.software.model_dump() != here
    if other:
        theirs = f"{data.software.name} {data.software.version}, {data.software.pages_by}"
        ours = f"{here['name']} {here['version']}, {here['pages_by']}"
        notes.remarks.append(Finding("other-version", {"theirs": theirs, "ours": ours}))
    try:
        page = page_of(due.inputs, due.advice, due.tables)
        if len(html(page, due.inputs.paper)) > MOST_MARKUP:
            return [Finding("drawn-heavy")]
        drawn = press(page, due.inputs.paper)
    except Unavailable:
        raise
    except (FurrowsliceError, *BROKEN) as error:
        return [Finding("not-drawn", {"problem": " ".join(str(error).split())[:300]})]
    if drawn == content:
        notes.confirmed.append(Finding("same-bytes"))
        return []
    try:
        found = [_finding(each) for each in compare(content, drawn)]
    except NotReadable as refused:
        return [Finding("not-compared", {"reason": str(refused)})]
    if not found and not notes.findings:
        notes.confirmed.append(Finding("same-pages"))
        if not other:
            notes.remarks.append(Finding("other-bytes"))
    return found


def _finding(told: Mapping[str, Any]) -> Finding:
    page = told.get("page")
    rest = {name: value for name, value in told.items() if name not in ("key", "page")}
    return Finding(f"printed-{told['key']}", rest, page)


# ---------------------------------------------------------------------------------------- the database


def _ask(look: Look, sha256: str, data: ReportData, notes: _Notes) -> None:
    """Ask the database whether the report was issued, and whether its tables were published."""
    _ask_issued(look, sha256, data.inputs.card.report_id, notes)
    before = len(notes.findings)
    notes.findings += _tables(look, data)
    if len(notes.findings) == before:
        notes.confirmed.append(Finding("tables-published"))


def _ask_issued(look: Look, sha256: str, report_id: str, notes: _Notes) -> None:
    issued = vouching.issued_as(look, report_id)
    if issued is None:
        notes.findings.append(Finding("not-issued", {"report": report_id}))
    elif issued.erased:
        notes.remarks.append(Finding("erased", {"report": report_id}))
    elif issued.document_sha256 != sha256:
        notes.findings.append(Finding("other-file", {"report": report_id}))
    else:
        notes.confirmed.append(
            Finding("issued", {"day": issued.issued_on.isoformat(), "laboratory": issued.laboratory})
        )  # fmt: skip
    if issued is not None and issued.replaced_by:
        notes.remarks.append(Finding("replaced", {"report": issued.replaced_by}))


def _tables(look: Look, data: ReportData) -> Iterator[Finding]:
    """What of the carried tables is not as it was published."""
    pinned, region = data.inputs.card.tables_release, data.advice.region
    if pinned is None:
        yield Finding("no-release")
        return
    named = {region: (pinned.number, pinned.sha256), SHARED: (pinned.shared_number, pinned.shared_sha256)}
    texts = releases.contents(look, {sha for _, sha in named.values()})
    found: dict[str, Content] = {}
    for book, (number, sha) in named.items():
        text = texts.get(sha)
        content = content_of(text) if text is not None and digest(text) == sha else None
        if content is None or (content.book, content.number) != (book, number):
            yield Finding("no-such-release", {"book": book, "number": number})
        else:
            found[book] = content
    if found.keys() == named.keys():
        yield from _records(data, found[region], found[SHARED])


def _records(data: ReportData, region: Content, shared: Content) -> Iterator[Finding]:
    for kind, carried in data.tables.records.items():
        published = shared.records.get(kind, {}) | region.records.get(kind, {})
        for name, record in carried.items():
            if name not in published:
                yield Finding("record-added", {"record": f"{kind}/{name}"[:200]})
            elif canonical(record) != canonical(published[name]):
                yield Finding("record-changed", {"record": f"{kind}/{name}"[:200]})
        if kind in ("scales", "rates", "conversions", "regions"):
            for name in region.records.get(kind, {}).keys() - carried.keys():
                yield Finding("record-missing", {"record": f"{kind}/{name}"[:200]})
