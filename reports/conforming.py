"""What a file needs to be PDF/A-3a and PDF/UA-1 at once, beyond what WeasyPrint 70 writes.

WeasyPrint declares one standard a file. It is asked for PDF/A-3a, which brings the tags that PDF/UA-1
wants as well; the finisher here adds that declaration and mends three things. Parts of the standards are
named from memory.
"""

from __future__ import annotations

import zlib
from typing import Any

from reports.artifacts import mark_furniture, number_of

DECLARED = "pdf/a-3a"
_POINTS_PER_PIXEL = 0.75

# PDF/A-3 takes only properties it knows, or that are described in the file (ISO 19005-3, 6.6.2.3).
_PDF_UA = b"""\
<rdf:Description xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/" rdf:about="" pdfuaid:part="1"/>\
<rdf:Description xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/" \
xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" \
xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#" rdf:about="">\
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">\
<pdfaSchema:schema>PDF/UA identification</pdfaSchema:schema>\
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>\
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>\
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">\
<pdfaProperty:name>part</pdfaProperty:name>\
<pdfaProperty:valueType>Integer</pdfaProperty:valueType>\
<pdfaProperty:category>internal</pdfaProperty:category>\
<pdfaProperty:description>Part of ISO 14289 that the file conforms to</pdfaProperty:description>\
</rdf:li></rdf:Seq></pdfaSchema:property>\
</rdf:li></rdf:Bag></pdfaExtension:schemas></rdf:Description>"""


def finish(_document: Any, pdf: Any) -> None:
    """Finish a file: a ``finisher`` of WeasyPrint's ``write_pdf``.

    Parameters
    ----------
    _document
        The laid-out document, not used.
    pdf
        The file about to be written, changed in place.
    """
    objects = {item.number: item for item in pdf.objects}
    _declare(objects[number_of(pdf.catalog["Metadata"])])
    _name_attachments_once(pdf)
    _measure_figures(pdf, objects)
    mark_furniture(pdf, objects)
    _write_once(pdf)


def _declare(metadata: Any) -> None:
    end = b"</rdf:RDF>"
    metadata.stream = [part.replace(end, _PDF_UA + end) for part in metadata.stream]


def _name_attachments_once(pdf: Any) -> None:
    """Attachments given by the caller come twice in the list of associated files."""
    if "AF" in pdf.catalog:
        pdf.catalog["AF"][:] = dict.fromkeys(pdf.catalog["AF"])


def _measure_figures(pdf: Any, objects: dict[int, Any]) -> None:
    """Figures' boxes come in CSS pixels from the top of the page, not in points from its foot."""
    for item in pdf.objects:
        if isinstance(item, dict) and item.get("S") == "/Figure":
            height = objects[number_of(item["Pg"])]["MediaBox"][3]
            left, top, right, bottom = (side * _POINTS_PER_PIXEL for side in item["A"]["BBox"])
            item["A"]["BBox"][:] = (left, height - bottom, right, height - top)


def _write_once(pdf: Any) -> None:
    """Put every object into bytes now: the writer would do so twice, for the file and for its identity."""
    import pydyf

    class Written(pydyf.Object):  # type: ignore[misc]
        """An object in bytes."""

        data = b""
        compressible = False

        def __init__(self, item: Any) -> None:
            super().__init__()
            self.number = item.number
            self.compressible = item.compressible
            self.data = _packed(item) if getattr(item, "compress", False) else item.data

    def _packed(stream: Any) -> bytes:
        """Deflate a stream at the usual level: the writer's own takes twice the time and saves a fiftieth."""
        content = pydyf.Stream(stream.stream).data.partition(b"stream\n")[2].removesuffix(b"\nendstream")
        packed = zlib.compress(content)
        head = pydyf.Dictionary({**stream.extra, "Filter": "/FlateDecode", "Length": len(packed)})
        return b"\n".join((head.data, b"stream", packed, b"endstream"))

    pdf.objects[:] = [item if item.free == "f" else Written(item) for item in pdf.objects]
