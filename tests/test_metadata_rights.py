"""Rights: whether Exif, IPTC-IIM or XMP state a creator or a copyright."""

import struct
import time

import pytest
from making_files import exif_block, photograph, photographs, save, scene, text_field, with_exif, with_segment
from PIL import Image, PngImagePlugin

from catalogue_audit.metadata.container import read_container
from catalogue_audit.metadata.rights import read_rights

XMP = b"http://ns.adobe.com/xap/1.0/\0"
PACKET = (
    '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""'
    ' xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmpRights="http://ns.adobe.com/xap/1.0/rights/"{attributes}>'
    "{elements}</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end='w'?>"
)
CREATOR = "<dc:creator><rdf:Seq><rdf:li>An Invented Studio</rdf:li></rdf:Seq></dc:creator>"
RIGHTS = '<dc:rights><rdf:Alt><rdf:li xml:lang="x-default">(c) Studio</rdf:li></rdf:Alt></dc:rights>'


def packet(elements="", attributes=""):
    return PACKET.format(elements=elements, attributes=attributes).encode()


def iim(dataset, text):
    record = struct.pack(">BBBH", 0x1C, 2, dataset, len(text)) + text
    resource = b"8BIM\x04\x04\0\0" + struct.pack(">I", len(record)) + record + bytes(len(record) % 2)
    return b"Photoshop 3.0\0" + resource


# exiftool 12.57: -Artist -Copyright -By-line -Credit -CopyrightNotice -XMP:Creator -XMP:Rights -XMP-xmpRights:all;
# the only photograph here whose fields hold more than blanks.
WITH_RIGHTS = {"Kodak DC240.jpg"}


@pytest.mark.parametrize("name", photographs())
def test_presence_equals_exiftool(name):
    data = photograph(name)
    facts = read_rights(data, read_container(data)["format"])
    assert facts == {"rights_present": name in WITH_RIGHTS, "reasons": ()}


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (with_exif(save(scene(), "JPEG"), exif_block([text_field(0x013B, "A. Maker")])), "Exif Artist"),
        (with_exif(save(scene(), "JPEG"), exif_block([text_field(0x8298, "(c) A. Maker")])), "Exif Copyright"),
        (with_segment(save(scene(), "JPEG"), 0xED, iim(80, b"A. Maker")), "IPTC By-line"),
        (with_segment(save(scene(), "JPEG"), 0xED, iim(110, b"A. Maker")), "IPTC Credit"),
        (with_segment(save(scene(), "JPEG"), 0xED, iim(116, b"\xa9 A. Maker")), "IPTC Copyright Notice"),
        (with_segment(save(scene(), "JPEG"), 0xE1, XMP + packet(CREATOR)), "dc:creator"),
        (with_segment(save(scene(), "JPEG"), 0xE1, XMP + packet(RIGHTS)), "dc:rights"),
        (
            with_segment(save(scene(), "JPEG"), 0xE1, XMP + packet(attributes=' xmpRights:WebStatement="example.org"')),
            "xmpRights:WebStatement",
        ),
    ],
)
def test_each_field_alone_counts(data, field):
    facts = read_rights(data, "JPEG", fields=True)
    assert facts["rights_present"]
    assert list(facts["rights"]) == [field]


def test_texts_are_told_only_when_asked_for():
    data = with_segment(save(scene(), "JPEG"), 0xE1, XMP + packet(CREATOR))
    assert "rights" not in read_rights(data, "JPEG")
    assert read_rights(data, "JPEG", fields=True)["rights"] == {"dc:creator": "An Invented Studio"}


@pytest.mark.parametrize("blank", [b" " * 54, b"\0\0", b""])
def test_blanks_state_no_rights(blank):
    data = with_exif(save(scene(), "JPEG"), exif_block([text_field(0x8298, blank)]))
    assert not read_rights(data, "JPEG")["rights_present"]


def test_xmp_without_rights_fields_states_none():
    data = with_segment(save(scene(), "JPEG"), 0xE1, XMP + packet("<dc:format>image/jpeg</dc:format>"))
    assert read_rights(data, "JPEG") == {"rights_present": False, "reasons": ()}


def test_png_webp_and_tiff_carry_xmp_too():
    text = PngImagePlugin.PngInfo()
    text.add_itxt("XML:com.adobe.xmp", packet(CREATOR).decode())
    assert read_rights(save(scene(), "PNG", pnginfo=text), "PNG")["rights_present"]
    zipped = PngImagePlugin.PngInfo()
    zipped.add_itxt("XML:com.adobe.xmp", packet(CREATOR).decode(), zip=True)
    assert read_rights(save(scene(), "PNG", pnginfo=zipped), "PNG")["rights_present"]
    assert read_rights(save(scene(), "WebP", xmp=packet(CREATOR)), "WebP")["rights_present"]
    assert read_rights(save(scene(), "TIFF", tiffinfo={700: packet(CREATOR)}), "TIFF")["rights_present"]
    assert not read_rights(save(scene(), "TIFF"), "TIFF")["rights_present"]


def test_tiff_copyright_counts():
    assert read_rights(save(Image.fromarray(scene()), "TIFF", copyright="(c) Studio"), "TIFF")["rights_present"]


BOMB = '<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {name} "{f"&{before};" * 10}">' for before, name in zip("abcdefghi", "bcdefghij", strict=True)
)


@pytest.mark.parametrize(
    "xml",
    [
        BOMB + "]><a>&j;</a>",
        '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>',
        '<!DOCTYPE a SYSTEM "http://example.org/a.dtd"><a/>',
    ],
    ids=["bomb", "external entity", "external type"],
)
def test_document_types_are_refused_with_a_reason(xml):
    started = time.process_time()
    facts = read_rights(with_segment(save(scene(), "JPEG"), 0xE1, XMP + xml.encode()), "JPEG", fields=True)
    assert time.process_time() - started < 0.5
    assert facts["rights"] == {}
    assert "document type" in facts["reasons"][0]


@pytest.mark.parametrize("xml", [b"<a>", b"\xff\xfe\x00", b"<a>&nothing;</a>", b"<a " * 9000])
def test_a_damaged_packet_is_a_reason(xml):
    facts = read_rights(with_segment(save(scene(), "JPEG"), 0xE1, XMP + xml), "JPEG")
    assert facts["reasons"] == ("the XMP block is damaged and was not read",)


def test_a_deeply_nested_packet_is_survived():
    facts = read_rights(with_segment(save(scene(), "JPEG"), 0xE1, XMP + b"<a>" * 9000 + b"</a>" * 9000), "JPEG")
    assert not facts["rights_present"]
