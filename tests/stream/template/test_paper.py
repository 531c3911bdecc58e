"""Papers hold upright, and bleed adds to both sides."""

from __future__ import annotations

from stream.template.paper import PAPERS


def test_papers_stand_upright_and_bleed_on_every_side() -> None:
    for paper in PAPERS.values():
        height, width = paper.pixels(300)
        assert height > width
        tall, wide = paper.pixels(300, bleed=True)
        assert abs((tall - height) - (wide - width)) <= 1
        assert tall - height in (70, 71, 72, 75)
