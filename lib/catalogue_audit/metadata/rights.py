"""
Whether a file states its creator or its rights, in Exif, IPTC-IIM or XMP.

Texts are personal data: by default only whether there are any is told.
"""

import zlib
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring

from catalogue_audit.metadata import exif_block, jpeg, tiff
from catalogue_audit.metadata.chunks import png_chunks, riff_chunks

MAX_XMP_BYTES = 2**20  # one JPEG segment holds 64 KB; larger packets are editing histories
MAX_TEXT = 500

_EXIF_FIELDS = {0x013B: "Artist", 0x8298: "Copyright"}  # CIPA DC-008, TIFF 6.0
_IIM_FIELDS = {80: "By-line", 110: "Credit", 116: "Copyright Notice"}  # IPTC-IIM 4.2, record 2
_DC, _XMP_RIGHTS, _PHOTOSHOP = (
    "{http://purl.org/dc/elements/1.1/}",
    "{http://ns.adobe.com/xap/1.0/rights/}",
    "{http://ns.adobe.com/photoshop/1.0/}",
)
_XMP_FIELDS = {
    _DC + "creator": "dc:creator",
    _DC + "rights": "dc:rights",
    _XMP_RIGHTS + "WebStatement": "xmpRights:WebStatement",
    _XMP_RIGHTS + "UsageTerms": "xmpRights:UsageTerms",
    _XMP_RIGHTS + "Owner": "xmpRights:Owner",
    _PHOTOSHOP + "Credit": "photoshop:Credit",
}  # ISO 16684-1; IPTC Photo Metadata Standard
_XMP_JPEG = b"http://ns.adobe.com/xap/1.0/\x00"


def read_rights(data, format, fields=False):  # noqa: A002 - the column's name
    """
    Rights fields of one file.

    Parameters
    ----------
    data : bytes
        The whole file.
    format : str
        As `read_container` says.
    fields : bool
        Also return the texts, where the brief asks for them.

    Returns
    -------
    dict
        ``rights_present`` : bool;
        ``reasons`` : tuple of sentences, blocks that could not be read; and
        with ``fields`` ``rights`` : dict of field name to text. Never raises.
    """
    texts, reasons = {}, []
    for read, name in ((_exif, "Exif"), (_iim, "IPTC"), (_xmp, "XMP")):
        try:
            texts |= read(data, format)
        except DefusedXmlException:
            reasons.append("the XMP block declares a document type, as none should, and was not read")
        except ParseError:
            reasons.append("the XMP block is damaged and was not read")
        except Exception:  # noqa: BLE001 - hostile input
            reasons.append(f"the {name} block is damaged and was not read")
    texts = {name: text for name, text in texts.items() if text}
    facts = {"rights_present": bool(texts), "reasons": tuple(reasons)}
    return facts | {"rights": texts} if fields else facts


def _clean(raw):
    if isinstance(raw, bytes):
        try:
            raw = raw.decode("utf-8")
        except UnicodeDecodeError:
            raw = raw.decode("latin-1")
    raw = "".join(letter if letter.isprintable() else " " for letter in raw)
    return " ".join(raw.split())[:MAX_TEXT]


# -- Exif ------------------------------------------------------------------------------------------


def _exif(data, format):  # noqa: A002
    block = exif_block.find(data, format)
    if block is None:
        return {}
    tags, _ = tiff.first_directory(block)
    return {
        f"Exif {name}": _clean(tiff.bytes_of(block, tags, tag)[: 2 * MAX_TEXT])
        for tag, name in _EXIF_FIELDS.items()
        if tag in tags and len(tags[tag]) == 3
    }


# -- IPTC-IIM --------------------------------------------------------------------------------------


def _iim(data, format):  # noqa: A002
    if format == "JPEG":
        block = b"".join(jpeg.payloads(data, jpeg.read_header(data), 0xED, b"Photoshop 3.0\x00"))
        records = b"".join(payload for number, payload in _resources(block) if number == 0x0404)
    elif format == "TIFF":
        tags, _ = tiff.first_directory(data)
        records = tiff.bytes_of(data, tags, 33723) if len(tags.get(33723, ())) == 3 else b""
    else:
        return {}
    texts = {}
    for dataset, payload in _datasets(records):
        if dataset in _IIM_FIELDS:
            texts.setdefault(f"IPTC {_IIM_FIELDS[dataset]}", _clean(payload[: 2 * MAX_TEXT]))
    return texts


def _resources(block):
    """(number, payload) of the image resources of an APP13 block."""
    position = 0
    while block[position : position + 4] == b"8BIM" and position + 12 <= len(block):
        number = int.from_bytes(block[position + 4 : position + 6], "big")
        name = block[position + 6] + 1
        start = position + 6 + name + name % 2
        size = int.from_bytes(block[start : start + 4], "big")
        yield number, block[start + 4 : start + 4 + size]
        position = start + 4 + size + size % 2


def _datasets(records):
    """(dataset number, payload) of record 2 of an IIM block."""
    position = 0
    while position + 5 <= len(records) and records[position] == 0x1C:
        record, dataset = records[position + 1], records[position + 2]
        size = int.from_bytes(records[position + 3 : position + 5], "big")
        if size & 0x8000:
            return  # extended size: larger than any rights field
        if record == 2:
            yield dataset, records[position + 5 : position + 5 + size]
        position += 5 + size


# -- XMP -------------------------------------------------------------------------------------------


def _xmp(data, format):  # noqa: A002
    packet = _packet(data, format)
    if not packet or len(packet) > MAX_XMP_BYTES:
        return {}
    root = fromstring(packet.strip(b"\x00 \r\n\t"), forbid_dtd=True)
    texts = {}
    for element in root.iter():
        for name, value in element.attrib.items():
            if name in _XMP_FIELDS:
                texts.setdefault(_XMP_FIELDS[name], _clean(value))
        if element.tag in _XMP_FIELDS:
            inner = "; ".join(filter(None, (_clean(text) for text in element.itertext())))
            texts.setdefault(_XMP_FIELDS[element.tag], inner[:MAX_TEXT])
    return texts


def _packet(data, format):  # noqa: A002
    if format == "JPEG":
        return next(iter(jpeg.payloads(data, jpeg.read_header(data), 0xE1, _XMP_JPEG)), b"")
    if format == "TIFF":
        tags, _ = tiff.first_directory(data)
        return tiff.bytes_of(data, tags, 700) if len(tags.get(700, ())) == 3 else b""
    if format == "WebP":
        return next((data[start:end] for kind, start, end in riff_chunks(data) if kind == b"XMP "), b"")
    if format == "PNG":
        return next(filter(None, (_png_packet(data[start:end]) for kind, start, end in png_chunks(data) if kind == b"iTXt")), b"")
    return exif_block.heic_info(data).get("xmp") or b""


def _png_packet(chunk):
    """Text of an iTXt chunk named as XMP asks (ISO 16684-3), or b''."""
    keyword, _, rest = chunk.partition(b"\x00")
    if keyword != b"XML:com.adobe.xmp" or len(rest) < 4:
        return b""
    text = rest[2:].split(b"\x00", 2)[-1]
    return zlib.decompressobj().decompress(text, MAX_XMP_BYTES + 1) if rest[0] else text
