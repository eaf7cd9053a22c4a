"""Mark running footers and bands as page furniture, so that a screen reader does not read them out.

WeasyPrint 70 tags the text of page margins, but leaves those tags out of the document's structure: content
that is neither structure nor artifact. PDF/UA-1 wants running footers to be pagination artifacts
(ISO 14289-1, 7.8; from memory).
"""

from __future__ import annotations

from typing import Any

ARTIFACT = b"/Artifact <</Type /Pagination>> BDC"


def mark_furniture(pdf: Any, objects: dict[int, Any]) -> None:
    """Mark it in a tagged file.

    Parameters
    ----------
    pdf
        The file about to be written, changed in place.
    objects
        Its objects by number.
    """
    root = objects[number_of(pdf.catalog["StructTreeRoot"])]
    in_structure = _reachable(objects, root)
    parents = objects[number_of(root["ParentTree"])]["Nums"]
    for page_number, owners in zip(parents[::2], parents[1::2], strict=True):
        if not isinstance(owners, list):
            continue  # an annotation, not a page
        loose = {mcid for mcid, owner in enumerate(owners) if number_of(owner) not in in_structure}
        page = objects[number_of(pdf.page_references[page_number])]
        _rewrite(objects[number_of(page["Contents"])].stream, loose)
        for mcid in loose:
            owners[mcid] = b"null"


def number_of(reference: bytes) -> int:
    """Number of the object that a reference names."""
    return int(reference.split()[0])


def _reachable(objects: dict[int, Any], root: Any) -> set[int]:
    found: set[int] = set()
    waiting = [root]
    while waiting:
        item = waiting.pop()
        found.add(item.number)
        kids = item.get("K", [])
        waiting.extend(
            objects[number_of(kid)] for kid in kids if isinstance(kid, bytes) and kid.endswith(b" R")
        )
    return found


def _rewrite(stream: list[Any], loose: set[int]) -> None:
    for index, item in enumerate(stream):
        if isinstance(item, dict) and item.get("MCID") in loose:
            stream[index - 1 : index + 2] = [ARTIFACT, b"", b""]
