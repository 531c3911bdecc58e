"""A picture and its facts, for the tests of this room."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import datetime, timedelta, timezone

import torch

from stream.prints.about import About

TAKEN = datetime(2026, 5, 31, 18, 4, 5, tzinfo=timezone(timedelta(hours=2)))
UNIQUE = "0123456789abcdef" * 2
IPTC = "{http://iptc.org/std/Iptc4xmpExt/2008-02-29/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
MM = "{http://ns.adobe.com/xap/1.0/mm/}"
REF = "{http://ns.adobe.com/xap/1.0/sType/ResourceRef#}"


def about(**changes: object) -> About:
    """Everything that can be known of a picture."""
    facts: dict[str, object] = {
        "ppi": 300.0,
        "taken": TAKEN,
        "unique": UNIQUE,
        "event": "Spring <Dance> & more",
        "people": ("Mira Tallow", "Çağla \x00Yeldemir"),
        "derived_from": "0012-abcdef",
    }
    return About(**{**facts, **changes})  # type: ignore[arg-type]


def picture(h: int = 60, w: int = 40, depth: int = 8) -> torch.Tensor:
    """Smooth colours with some chance in them."""
    maker = torch.Generator().manual_seed(5)
    top = (1 << depth) - 1
    down, across = torch.linspace(0, 1, h)[:, None], torch.linspace(0, 1, w)[None]
    rgb = torch.stack([down.expand(h, w), across.expand(h, w), (down + across) / 2], -1)
    noisy = (rgb + 0.05 * torch.rand(h, w, 3, generator=maker)).clamp(0, 1) * top
    return noisy.round().to(torch.uint8 if depth == 8 else torch.int32)


def told(packet: bytes) -> dict[str, object]:
    """What an XMP packet says, by an XML parser."""
    inner = re.sub(rb"<\?xpacket.*?\?>", b"", packet).decode("utf-8").removeprefix("\ufeff")
    root = ET.fromstring(inner)
    description = root.find(f"{RDF}RDF/{RDF}Description")
    assert description is not None
    people = description.findall(f"{IPTC}PersonInImage/{RDF}Bag/{RDF}li")
    event = description.find(f"{IPTC}Event/{RDF}Alt/{RDF}li")
    source = description.find(f"{MM}DerivedFrom/{REF}documentID")
    return {
        "kind": description.get(f"{IPTC}DigitalSourceType"),
        "people": [p.text for p in people],
        "event": None if event is None else event.text,
        "from": None if source is None else source.text,
    }
