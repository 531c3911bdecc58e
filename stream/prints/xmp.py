"""The XMP packet of a picture: that it is composed, of whom, at which event, from which shot.

Sources: ISO 16684-1 (XMP; ``xmpMM:DerivedFrom`` is a ResourceRef), IPTC Photo Metadata Standard
(PersonInImage, Event, DigitalSourceType), CIPA DC-010 (Exif for XMP: ImageUniqueID).
"""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

from stream.prints.about import About

_HEAD = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
)
_IPTC = 'xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/" '
_EXIF = 'xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:ImageUniqueID="{}" '
_MM = (
    'xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/" '
    'xmlns:stRef="http://ns.adobe.com/xap/1.0/sType/ResourceRef#" '
)
# Says openly that the picture is put together from several.
_COMPOSITE = (
    'Iptc4xmpExt:DigitalSourceType="http://cv.iptc.org/newscodes/digitalsourcetype/'
    'compositeCapture"'
)
_FOOT = "</rdf:RDF></x:xmpmeta>"
_OWNER = re.compile(rb'exif:ImageUniqueID="([0-9A-Fa-f]{1,64})"')
# XML 1.0, production 2: what may stand in a document at all.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _text(words: str) -> str:
    return escape(_NOT_XML.sub("", words))


def packet(about: About, *, people: bool, unique: bool = False) -> bytes:
    """The XMP of a picture.

    Args:
        about: the facts.
        people: whether persons may be named.
        unique: whether the ImageUniqueID stands in it, for a file that has no Exif.
    """
    head = _HEAD + _IPTC
    if unique:
        head += _EXIF.format(_text(about.unique))
    inner = ""
    if people and about.people:
        names = "".join(f"<rdf:li>{_text(name)}</rdf:li>" for name in about.people)
        inner += (
            f"<Iptc4xmpExt:PersonInImage><rdf:Bag>{names}</rdf:Bag></Iptc4xmpExt:PersonInImage>"
        )
    if about.event:
        inner += (
            '<Iptc4xmpExt:Event><rdf:Alt><rdf:li xml:lang="x-default">'
            f"{_text(about.event)}</rdf:li></rdf:Alt></Iptc4xmpExt:Event>"
        )
    if about.derived_from:
        head += _MM
        inner += (
            '<xmpMM:DerivedFrom rdf:parseType="Resource"><stRef:documentID>'
            f"{_text(about.derived_from)}</stRef:documentID></xmpMM:DerivedFrom>"
        )
    end = f">{inner}</rdf:Description>" if inner else "/>"
    return (head + _COMPOSITE + end + _FOOT).encode()


def wrapped(xmp: bytes) -> bytes:
    """With the packet's markers, which let programs find it inside a file of another kind."""
    begin = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'.encode()
    return begin + xmp + b'<?xpacket end="r"?>'


def owner(xmp: bytes) -> str | None:
    """The ImageUniqueID that `packet` wrote, or None."""
    found = _OWNER.search(xmp)
    return found[1].decode() if found else None
