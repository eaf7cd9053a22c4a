"""What can be read from a file of what PDF/A-3a and PDF/UA-1 ask for; this is not a validator's certificate.

``faults`` reads a file and says what is wrong with it, a sentence each; the clauses behind the checks are
from memory (ISO 19005-3, ISO 14289-1). ``test_conformance.py`` damages files to see each of them caught.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import pikepdf

RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
XMP_NAMES = {
    "dc": "http://purl.org/dc/elements/1.1/",
    "a": "http://www.aiim.org/pdfa/ns/id/",
    "ua": "http://www.aiim.org/pdfua/ns/id/",
    "schema": "http://www.aiim.org/pdfa/ns/schema#",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
}
PAINTING = {"f", "F", "f*", "B", "B*", "b", "b*", "S", "s", "sh", "Do", "Tj", "TJ", "'", '"', "EI"}
FORBIDDEN_KEYS = {
    "/JS", "/JavaScript", "/Launch", "/AA", "/OpenAction", "/RichMedia", "/XFA", "/FFilter", "/OPI",
}  # fmt: skip
FORBIDDEN_ACTIONS = {
    "/JavaScript", "/Launch", "/ImportData", "/ResetForm", "/SubmitForm", "/Movie", "/Sound",
}  # fmt: skip
# What may stand in what; an element that is not named here may stand anywhere.
PARENTS = {
    "/LI": {"/L"}, "/Lbl": {"/LI"}, "/LBody": {"/LI"}, "/THead": {"/Table"}, "/TBody": {"/Table"},
    "/TR": {"/Table", "/THead", "/TBody"}, "/TH": {"/TR"}, "/TD": {"/TR"},
    "/Caption": {"/Table", "/L", "/Figure"},
}  # fmt: skip
# What may stand in it, and nothing else.
CHILDREN = {
    "/L": {"/LI", "/L", "/Caption"}, "/LI": {"/Lbl", "/LBody"},
    "/Table": {"/TR", "/THead", "/TBody", "/Caption"},
    "/THead": {"/TR"}, "/TBody": {"/TR"}, "/TR": {"/TH", "/TD"},
}  # fmt: skip
STANDARD = {
    "/Document", "/Part", "/Art", "/Sect", "/Div", "/P", "/L", "/LI", "/Lbl", "/LBody", "/Table", "/THead",
    "/TBody", "/TR", "/TH", "/TD", "/Caption", "/Span", "/Figure", "/NonStruct", "/Link", "/BlockQuote",
    *(f"/H{level}" for level in range(1, 7)),
}  # fmt: skip


def faults(data: bytes) -> list[str]:
    """Everything that is wrong with a file, in words."""
    document = pikepdf.open(io.BytesIO(data))
    return [
        *(f"the file: {said}" for said in document.check_pdf_syntax()),
        *_file(data, document),
        *_metadata(document),
        *_attachments(document),
        *_objects(document),
        *_fonts(document),
        *_content(document),
        *_structure(document),
    ]


def _file(data: bytes, document: Any) -> Iterator[str]:
    if not re.match(rb"%PDF-1\.7\r?\n%[\x80-\xff]{4}", data):
        yield "the head is not %PDF-1.7 and four bytes above 127"
    if document.is_encrypted:
        yield "it is encrypted"
    if len(document.trailer.get("/ID", ())) != 2 or not all(bytes(part) for part in document.trailer.ID):
        yield "the trailer has no identity"
    root = document.Root
    if not root.get("/MarkInfo", {}).get("/Marked", False):
        yield "it is not marked as tagged"
    if not root.get("/ViewerPreferences", {}).get("/DisplayDocTitle", False):
        yield "the title would not be displayed"
    if not re.fullmatch(r"[a-z]{2,3}(-[A-Za-z0-9]+)*", str(root.get("/Lang", ""))):
        yield "it has no language"
    intents = [intent for intent in root.get("/OutputIntents", ()) if intent.S == "/GTS_PDFA1"]
    if len(intents) != 1 or intents[0].get("/DestOutputProfile", {}).get("/N", 0) != 3:
        yield "it has no output intent for three colours"
    elif bytes(intents[0].DestOutputProfile.read_bytes())[36:40] != b"acsp":
        yield "the colour profile of the output intent is none"


def _metadata(document: Any) -> Iterator[str]:
    if "/Metadata" not in document.Root:
        yield "it has no metadata"
        return
    packet = bytes(document.Root.Metadata.read_bytes())
    root = ElementTree.fromstring(packet)
    if [child.tag for child in root] != [f"{RDF}RDF"]:
        yield "the metadata are not one RDF"
    said = {name: value for item in root.iter(f"{RDF}Description") for name, value in item.attrib.items()}
    for name, wanted in (("a}part", "3"), ("a}conformance", "A"), ("ua}part", "1")):
        space, key = name.split("}")
        if said.get(f"{{{XMP_NAMES[space]}}}{key}") != wanted:
            yield f"the metadata do not say pdf{space}id:{key} {wanted}"
    spaces = [item.text for item in root.findall(".//schema:namespaceURI", XMP_NAMES)]
    if spaces != [XMP_NAMES["ua"]]:
        yield "the metadata do not describe the properties of PDF/UA"
    title = root.findtext(".//dc:title/rdf:Alt/rdf:li", "", XMP_NAMES)
    if not title or title != str(document.docinfo.get("/Title", "")):
        yield f"the titles of metadata and information differ: {title!r}"
    author = root.findtext(".//dc:creator/rdf:Seq/rdf:li", "", XMP_NAMES)
    if author != str(document.docinfo.get("/Author", "")):
        yield f"the authors of metadata and information differ: {author!r}"


def _attachments(document: Any) -> Iterator[str]:
    named = document.Root.get("/Names", {}).get("/EmbeddedFiles", {}).get("/Names", pikepdf.Array())
    associated = [item.objgen for item in document.Root.get("/AF", ())]
    if sorted(item.objgen for item in list(named)[1::2]) != sorted(associated):
        yield "the attached files are not the associated files, each once"
    for item in list(named)[1::2]:
        name, file = str(item.get("/UF", "")), item.EF.F
        if not name or str(item.get("/F", "")) != name:
            yield "an attached file has no name, or two"
        if "/" not in str(file.get("/Subtype", ""))[1:]:
            yield f"the kind of {name} is not said"
        if str(item.get("/AFRelationship", "")) not in ("/Data", "/Source", "/Alternative", "/Supplement"):
            yield f"how {name} belongs to the page is not said"
        if not re.match(r"D:\d{8}", str(file.get("/Params", {}).get("/ModDate", ""))):
            yield f"the day of {name} is not said"


def _objects(document: Any) -> Iterator[str]:
    for item in _dictionaries(list(document.objects)):
        for key in sorted(FORBIDDEN_KEYS & set(item.keys())):
            yield f"an object has {key}"
        if str(item.get("/S", "")) in FORBIDDEN_ACTIONS:
            yield f"an action of kind {item.S}"
        if isinstance(item, pikepdf.Stream):
            filters = item.get("/Filter", pikepdf.Array())
            if "/LZWDecode" in (list(filters) if isinstance(filters, pikepdf.Array) else [filters]):
                yield "a stream is packed with LZW"
            if "/F" in item:
                yield "a stream stands in another file"
            if item.get("/Subtype") == "/Image":
                yield from _image(item)


def _image(item: Any) -> Iterator[str]:
    """Points as they are, in colours that the output intent explains, without a mask of their own."""
    if item.get("/Interpolate", False):
        yield "an image asks to be smoothed"
    if item.get("/ColorSpace") not in ("/DeviceRGB", "/DeviceGray"):
        yield f"the output intent does not explain the colours of an image: {item.get('/ColorSpace')}"
    if {"/Alternates", "/OPI"} & set(item.keys()):
        yield "an image has others in its place"


def _dictionaries(items: Any) -> Iterator[Any]:
    """All dictionaries of a file, those that stand inside of others too."""
    for item in items:
        if isinstance(item, pikepdf.Array):
            yield from _dictionaries(kid for kid in item if not _is_reference(kid))
        elif isinstance(item, (pikepdf.Dictionary, pikepdf.Stream)):
            yield item
            yield from _dictionaries(kid for _, kid in item.items() if not _is_reference(kid))


def _is_reference(item: Any) -> bool:
    return isinstance(item, pikepdf.Object) and item.is_indirect


def _fonts(document: Any) -> Iterator[str]:
    for item in document.objects:
        if not isinstance(item, pikepdf.Dictionary):
            continue
        name, kind = item.get("/BaseFont"), str(item.get("/Subtype", ""))
        if item.get("/Type") == "/Font" and not kind.startswith("/CIDFont") and "/ToUnicode" not in item:
            yield f"the letters of {name} cannot be read out"
        files = {"/FontFile2", "/FontFile3"} & set(item.get("/FontDescriptor", {}).keys())
        if kind.startswith("/CIDFont") and not files:
            yield f"{name} is not embedded"


def _content(document: Any) -> Iterator[str]:
    """Every stroke and letter is inside a tag or an artifact; the tags' numbers are those of the tree."""
    numbers = list(document.Root.get("/StructTreeRoot", {}).get("/ParentTree", {}).get("/Nums", ()))
    owners = dict(zip((int(number) for number in numbers[::2]), numbers[1::2], strict=True))
    for count, page in enumerate(document.pages, 1):
        open_marks: list[str] = []
        tagged: list[int] = []
        for operands, operator in pikepdf.parse_content_stream(page):
            match str(operator):
                case "BMC" | "BDC" as kind:
                    properties = operands[1] if kind == "BDC" else {}
                    if "/MCID" in properties:
                        tagged.append(int(properties.MCID))
                    open_marks.append(str(operands[0]))
                case "EMC":
                    open_marks.pop()
                case name if name in PAINTING and not open_marks:
                    yield f"page {count}: {name} paints outside of tags and artifacts"
            if "/Artifact" in open_marks and len(open_marks) > 1:
                yield f"page {count}: something tagged and an artifact at once"
        mine = owners.get(int(page.get("/StructParents", -1)), ())
        in_tree = [number for number, owner in enumerate(mine) if isinstance(owner, pikepdf.Dictionary)]
        if sorted(tagged) != in_tree:
            yield f"page {count}: the numbers of its tags are not those of the tree"
        if page.get("/Annots") and page.get("/Tabs") != "/S":
            yield f"page {count}: the order of its fields is not that of the tree"


def _structure(document: Any) -> Iterator[str]:
    if "/StructTreeRoot" not in document.Root:
        yield "it has no structure"
        return
    elements = list(_elements(document.Root.StructTreeRoot, document.Root.StructTreeRoot.get("/K")))
    tree = {item.objgen for _, item in elements}
    numbers = list(document.Root.StructTreeRoot.ParentTree.Nums)[1::2]
    for owner in (one for many in numbers for one in (many if isinstance(many, pikepdf.Array) else [many])):
        if isinstance(owner, pikepdf.Dictionary) and owner.objgen not in tree:
            yield "content belongs to an element outside of the tree"
    for parent, item in elements:
        yield from _element(parent, item)
    levels = [int(str(item.S)[2:]) for _, item in elements if re.fullmatch(r"/H\d", str(item.S))]
    if levels[:1] != [1] or any(after > before + 1 for before, after in pairwise(levels)):
        yield f"the headings skip a level: {levels}"
    heads = {bytes(item.ID) for _, item in elements if item.S == "/TH" and "/ID" in item}
    for _, item in elements:
        if item.S == "/TH" and "/ID" not in item:
            yield "a header cell has no identity"
        if item.S == "/TD" and not {bytes(name) for name in item.get("/A", {}).get("/Headers", ())} & heads:
            yield "a cell names no header"


def _elements(parent: Any, kids: Any) -> Iterator[tuple[Any, Any]]:
    for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
            yield parent, kid
            yield from _elements(kid, kid.get("/K"))


def _element(parent: Any, item: Any) -> Iterator[str]:
    kind, above = str(item.S), str(parent.get("/S", ""))
    if kind not in STANDARD:
        yield f"{kind} is no kind of element"
    if "/P" not in item or item.P.objgen != parent.objgen:
        yield f"a {kind} names another parent than {above or 'the root'}"
    if above not in PARENTS.get(kind, {above}):
        yield f"a {kind} stands in {above}"
    if above in CHILDREN and kind not in CHILDREN[above]:
        yield f"a {kind} stands in {above}"
    if kind == "/Figure":
        if len(str(item.get("/Alt", ""))) < 3:
            yield "a picture is not told in words"
        box = [float(side) for side in item.get("/A", {}).get("/BBox", ())]
        page = [float(side) for side in item.Pg.MediaBox]
        if len(box) != 4 or not (
            page[0] <= box[0] < box[2] <= page[2] and page[1] <= box[1] < box[3] <= page[3]
        ):
            yield f"the box of a picture is not on its page: {box}"
