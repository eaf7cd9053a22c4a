"""Opens PDF files that somebody else has made, and compares two of them; run only as its own process.

A PDF may be damaged on purpose, ask for more memory than there is, or never end. So it is opened in a process
that has nothing to lose, with limits on memory and time that the operating system enforces. This module
imports nothing of the project.

``look`` reads one file from standard input and answers ``{"pages": n, "files": [{"name", "text"}],
"printed": [text of a page, ...]}``. ``compare LENGTH`` reads two, the first of that many bytes, and answers
``{"found": [{"key", ...}]}``: what the first shows otherwise than the second.
Both may answer ``{"refused": key}``.
"""

from __future__ import annotations

import io
import json
import resource
import sys
import zlib
from collections.abc import Callable, Iterator, Sequence
from decimal import Decimal
from difflib import SequenceMatcher
from typing import Any

import pikepdf
import pypdfium2  # type: ignore[import-untyped]

MEMORY_BYTES, CPU_SECONDS = 1024**3, 30
MOST_PAGES, MOST_FILES, LONGEST_TEXT, LONGEST_WORDS = 200, 20, 8_000_000, 200_000
MOST_TOLD = 6  # differences of one kind on one page; the rest is counted
_TEXT = frozenset(
    {"BT", "ET", "Tf", "Td", "TD", "Tm", "T*", "Tj", "TJ", "'", '"', "Tc", "Tw", "Tz", "TL", "Tr", "Ts"}
)
_MARKS = frozenset({"BDC", "BMC", "EMC", "DP", "MP"})
_POINTS = {"m": (0, 2), "l": (0, 2), "re": (0, 2), "c": (4, 6), "v": (2, 4), "y": (2, 4)}
_PER_INCH, _MM = 72, 25.4
# What of a file is compared elsewhere, or says nothing of what it shows.
_APART = frozenset({"/Parent", "/Contents"})
_OF_WORDS = frozenset({"Resources", "StructTreeRoot", "Outlines"})
_OPENS = ("/OpenAction", "/AA", "/AcroForm", "/JavaScript")

Found = dict[str, Any]
Matrix = tuple[float, float, float, float, float, float]


class Refused(Exception):  # noqa: N818 - reads as the sentence it is
    """The file is refused: what, and what to do; both are keys of the caller's words."""


def opened(data: bytes) -> pikepdf.Pdf:
    """Open a file that is whole; nothing is mended, as another program might mend it otherwise."""
    try:
        pdf = pikepdf.open(io.BytesIO(data), attempt_recovery=False)
        if pdf.is_encrypted:
            raise Refused("encrypted")
        if len(pdf.pages) > MOST_PAGES:
            raise Refused("long")
    except pikepdf.PasswordError:
        raise Refused("encrypted") from None
    except (pikepdf.PdfError, ValueError, TypeError, RecursionError):
        raise Refused("damaged") from None
    return pdf


# -------------------------------------------------------------------------------------------------- look


def look(data: bytes) -> dict[str, Any]:
    """Take the attached files out, and the printed text where there is none."""
    pdf = opened(data)
    try:
        found = [
            {"name": str(name), "text": _attached(spec.get_file().obj)}
            for _, (name, spec) in zip(range(MOST_FILES), pdf.attachments.items(), strict=False)
        ]
    except (pikepdf.PdfError, ValueError, TypeError, AttributeError, KeyError, zlib.error, RecursionError):
        raise Refused("damaged") from None
    printed = [] if found else ["\n".join(lines) for lines in printed_lines(data)]
    return {"pages": len(pdf.pages), "files": found, "printed": printed}


def _attached(stream: Any) -> str:
    """Text of an attached file, unless it is none or would unpack to more than any report's data."""
    packed = stream.get("/Filter")
    if isinstance(packed, pikepdf.Array) and len(packed) == 1:
        packed = packed[0]
    raw = stream.read_raw_bytes()
    if packed == pikepdf.Name.FlateDecode and "/DecodeParms" not in stream:
        raw = zlib.decompressobj().decompress(raw, LONGEST_TEXT + 1)
    elif packed is not None:
        raise Refused("packed")
    if len(raw) > LONGEST_TEXT:
        raise Refused("large")
    return bytes(raw).decode("utf-8", errors="replace")


def printed_lines(data: bytes) -> list[list[str]]:
    """Lines of text on every page, as a reader sees them."""
    try:
        pdf = pypdfium2.PdfDocument(data)
        pages = [_lines(pdf[number]) for number in range(len(pdf))]
    except (pypdfium2.PdfiumError, ValueError, RuntimeError):
        raise Refused("damaged") from None
    pdf.close()
    return pages


def _lines(page: Any) -> list[str]:
    text = page.get_textpage()
    if text.count_chars() > LONGEST_WORDS:
        raise Refused("long")
    lines = text.get_text_range().replace("\x02", "-").splitlines()
    return [" ".join(line.split()) for line in lines if line.strip()]


# ----------------------------------------------------------------------------------------------- compare


def compare(one: bytes, two: bytes) -> dict[str, Any]:
    """Tell what a file shows otherwise than the one it ought to be."""
    first, second = opened(one), opened(two)
    found: list[Found] = []
    reads_otherwise = False
    if len(first.pages) != len(second.pages):
        found.append({"key": "pages", "printed": len(first.pages), "due": len(second.pages)})
    try:
        for number, (lines, due) in enumerate(zip(printed_lines(one), printed_lines(two), strict=False), 1):
            words = list(_words(lines, due, number))
            reads_otherwise = reads_otherwise or bool(words)
            found += words
            found += _drawn(first.pages[number - 1], second.pages[number - 1], number, bool(words))
        found += _rest(first, second, reads_otherwise)
    except (pikepdf.PdfError, ValueError, TypeError, AttributeError, KeyError, RecursionError):
        raise Refused("damaged") from None
    return {"found": found}


def _words(lines: Sequence[str], due: Sequence[str], page: int) -> Iterator[Found]:
    """Words that are printed otherwise, each with the word beside it and its line."""
    if lines == due:
        return
    printed, expected = ([word for line in each for word in line.split()] for each in (lines, due))
    line_of = [number for number, line in enumerate(lines) for _ in line.split()]
    spans = _joined(SequenceMatcher(None, printed, expected, autojunk=False).get_opcodes())
    for position, (start, end, from_, to) in enumerate(spans):
        if position == MOST_TOLD:
            yield {"key": "more-words", "page": page, "count": len(spans) - MOST_TOLD}
            return
        # A number is read with its unit, which is the next word.
        beside = int(
            end < len(printed) and to < len(expected) and any(map(str.isdigit, "".join(printed[start:end])))
        )
        said, wanted = " ".join(printed[start : end + beside]), " ".join(expected[from_ : to + beside])
        key = "word" if said and wanted else "word-added" if said else "word-missing"
        line = lines[line_of[min(start, len(line_of) - 1)]] if line_of else ""
        yield {"key": key, "page": page, "printed": said[:200], "due": wanted[:200], "line": line[:100]}


def _joined(codes: Sequence[tuple[str, int, int, int, int]]) -> list[tuple[int, int, int, int]]:
    """Spans of words that differ; two with a single word between them are one."""
    spans: list[tuple[int, int, int, int]] = []
    for tag, start, end, from_, to in codes:
        if tag == "equal":
            continue
        if spans and start - spans[-1][1] <= 1:
            spans[-1] = (spans[-1][0], end, spans[-1][2], to)
        else:
            spans.append((start, end, from_, to))
    return spans


# ---------------------------------------------------------------------------------------------- drawings


def _drawn(one: pikepdf.Page, two: pikepdf.Page, page: int, words_differ: bool) -> Iterator[Found]:
    """Lines, boxes and letters that are drawn otherwise, besides the words."""
    first, second = _steps(one), _steps(two)

    def differing(chosen: Callable[[str], bool]) -> tuple[int, int] | None:
        """Where the chosen steps of the two begin to differ, by the number of the step in each."""
        ours, theirs = ([n for n, (op, _) in enumerate(steps) if chosen(op)] for steps in (first, second))
        for mine, other in zip(ours, theirs, strict=False):
            if first[mine] != second[other]:
                return mine, other
        if len(ours) == len(theirs):
            return None
        shorter = min(len(ours), len(theirs))
        return (ours[shorter] if shorter < len(ours) else -1), (
            theirs[shorter] if shorter < len(theirs) else -1
        )

    at = differing(lambda op: op not in _TEXT and op not in _MARKS)
    if at is not None:
        steps, number, holder = (first, at[0], one) if at[0] >= 0 else (second, at[1], two)
        place = _place(steps, number, holder)
        yield {"key": "drawing", "page": page, "left": place[0], "top": place[1]}
    if words_differ:  # then letters and tags do too
        return
    other = [key for key, kind in (("letters", _TEXT), ("marks", _MARKS)) if differing(kind.__contains__)]
    yield from ({"key": key, "page": page} for key in other)
    if at is None and not other and (at := differing(lambda _: True)) is not None:
        # All is there; but a box drawn after its words instead of before them hides them.
        left, top = _place(first, at[0], one)
        yield {"key": "drawing", "page": page, "left": left, "top": top}


def _steps(page: pikepdf.Page) -> list[tuple[str, bytes]]:
    """What is done on a page, step by step: the operator, and all of it as it would be written."""
    return [
        (str(step.operator), pikepdf.unparse_content_stream([step]))
        for step in pikepdf.parse_content_stream(page)
    ]


def _place(steps: Sequence[tuple[str, bytes]], number: int, page: pikepdf.Page) -> tuple[int, int]:
    """Where a step draws, in millimetres from the left and the top of the page."""
    stack: list[Matrix] = []
    now: Matrix = (1, 0, 0, 1, 0, 0)
    for position, (operator, written) in enumerate(steps):
        if operator == "q":
            stack.append(now)
        elif operator == "Q":
            now = stack.pop() if stack else now
        elif operator == "cm":
            now = _times(_numbers(written, 6), now)
        elif position >= number and operator in _POINTS:
            first, end = _POINTS[operator]
            x, y = _numbers(written, 6)[first:end]
            box = [float(side) for side in page.mediabox]
            left, up = x * now[0] + y * now[2] + now[4], x * now[1] + y * now[3] + now[5]
            return round((left - box[0]) / _PER_INCH * _MM), round((box[3] - up) / _PER_INCH * _MM)
    return 0, 0


def _numbers(written: bytes, most: int) -> Matrix:
    found = [float(each) for each in written.split()[:-1]][:most]
    return tuple(found + [0.0] * (most - len(found)))  # type: ignore[return-value]


def _times(one: Matrix, two: Matrix) -> Matrix:
    a, b, c, d, e, f = one
    k, m, n, o, p, q = two
    return (a * k + b * n, a * m + b * o, c * k + d * n, c * m + d * o, e * k + f * n + p, e * m + f * o + q)


# ------------------------------------------------------------------------------------- the rest of a file


def _rest(one: pikepdf.Pdf, two: pikepdf.Pdf, reads_otherwise: bool) -> Iterator[Found]:
    """What else is in the file: what pages are drawn with, tags, description, anything that is not due.

    Where words differ, so do letters in the fonts, tags and headings: that says nothing more.
    """
    follow = _OF_WORDS if reads_otherwise else frozenset()
    seen: set[tuple[Any, Any]] = set()
    for number, (page, due) in enumerate(zip(one.pages, two.pages, strict=False), 1):
        parts = {*_differing(page.obj, due.obj, seen)} - follow
        yield from ({"key": "part", "page": number, "part": name} for name in sorted(parts))
    info, expected = (dict(pdf.trailer.get("/Info", {})) for pdf in (one, two))
    for name in sorted(info.keys() | expected.keys()):
        said, wanted = (str(each.get(name, ""))[:200] for each in (info, expected))
        if said != wanted:
            yield {"key": "info", "name": name.strip("/"), "printed": said, "due": wanted}
    if _attached_otherwise(one):  # by another way: programs differ in the one they take
        yield {"key": "file", "part": "EmbeddedFile"}
    for name in sorted(one.Root.keys() | two.Root.keys()):
        if name == "/Pages" or name.strip("/") in follow:
            continue
        mine, theirs = one.Root.get(name), two.Root.get(name)
        if mine is None or theirs is None or any(_differing(mine, theirs, seen)):
            yield {"key": "opens" if name in _OPENS else "file", "part": name.strip("/")}


def _differing(one: Any, two: Any, seen: set[tuple[Any, Any]]) -> Iterator[str]:
    """First names of the paths on which two objects differ, from reference to reference."""
    waiting: list[tuple[Any, Any, str]] = [(one, two, "")]
    while waiting:
        mine, theirs, top = waiting.pop()
        if not _alike(mine, theirs):
            yield top
        elif isinstance(mine, pikepdf.Array):
            waiting += [(a, b, top) for a, b in zip(mine, theirs, strict=True)]
        elif isinstance(mine, pikepdf.Dictionary | pikepdf.Stream) and _unseen(mine, theirs, seen):
            for name in _to_compare(mine, theirs):
                below = top or name.strip("/")
                if name in mine and name in theirs:
                    waiting.append((mine[name], theirs[name], below))
                else:
                    yield below


def _unseen(one: Any, two: Any, seen: set[tuple[Any, Any]]) -> bool:
    """Whether two objects were not compared before; then they are taken as compared."""
    if not (one.is_indirect and two.is_indirect):
        return True
    pair = (one.objgen, two.objgen)
    return pair not in seen and not seen.add(pair)  # type: ignore[func-returns-value]


def _to_compare(one: Any, two: Any) -> set[str]:
    """Names in either of two dictionaries that say what is shown; attached data are compared as data."""
    if _is_attached(one) and _is_attached(two):
        return set()
    packing = {"/Length", "/Filter", "/DecodeParms"} if isinstance(one, pikepdf.Stream) else set()
    names: set[str] = (one.keys() | two.keys()) - _APART - packing
    return names


def _alike(one: Any, two: Any) -> bool:
    """Whether two objects are the same by themselves, without what they refer to."""
    if isinstance(one, bool) or isinstance(two, bool):
        return one is two
    if isinstance(one, int | float | Decimal) and isinstance(two, int | float | Decimal):
        return abs(Decimal(one) - Decimal(two)) < Decimal("1e-6")
    if not isinstance(one, pikepdf.Object) or not isinstance(two, pikepdf.Object):
        return type(one) is type(two) and bool(one == two)
    if one._type_code != two._type_code:
        return False
    if isinstance(one, pikepdf.Array):
        return len(one) == len(two)
    if isinstance(one, pikepdf.Stream):
        return (_is_attached(one) and _is_attached(two)) or _unpacked(one) == _unpacked(two)
    return isinstance(one, pikepdf.Dictionary) or bool(one == two)


def _is_attached(value: Any) -> bool:
    """Whether something is an attached file; what else bears its name is compared like anything."""
    return isinstance(value, pikepdf.Stream) and value.get("/Type") == pikepdf.Name.EmbeddedFile


def _unpacked(stream: Any) -> tuple[bytes, str]:
    """What a stream holds; as it stands, and how it is packed, where that is a way of pictures."""
    try:
        return bytes(stream.read_bytes()), ""
    except pikepdf.PdfError:
        packing = (repr(stream.get(name)) for name in ("/Filter", "/DecodeParms"))
        return bytes(stream.read_raw_bytes()), " ".join(packing)


def _attached_otherwise(pdf: pikepdf.Pdf) -> bool:
    """Whether a file holds attached data besides those that were taken out and checked."""
    taken = {
        stream.objgen
        for _, (_, spec) in zip(range(MOST_FILES), pdf.attachments.items(), strict=False)
        for stream in [spec.get_file().obj]
    }
    return any(_is_attached(each) and each.objgen not in taken for each in pdf.objects)


def main() -> int:
    """Read standard input, write the answer; 0 also for a refusal."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    data = sys.stdin.buffer.read()
    try:
        if sys.argv[1] == "look":
            answer = look(data)
        else:
            length = int(sys.argv[2])
            answer = compare(data[:length], data[length:])
    except Refused as refusal:
        answer = {"refused": str(refusal)}
    except MemoryError:
        return 3
    json.dump(answer, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
