"""A template's scene made strip by strip: the rows of the scene that is made in one piece."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import torch
from PIL import Image

from models.composite import Overlay, Scene
from stream.template import Template, load_template
from stream.template.flattened import Flattened, Key, Part
from stream.template.kept import Held, Kept, Store, part_bytes

SIZE = (90, 60)
TEXT = """[[text]]
value = "{name}"
above = "%s"
box = [4, %d, 52, 20]
size = 16
least = 6
color = "#20a0ff"
shadow = { dx = 2, dy = 3, blur = 2, color = "#400000", opacity = 0.7 }
"""
HEAD = """[picture]
width_in = 2
height_in = 3
ppi = 30
[slot]
above = "sky"
"""


def _template(folder: Path, texts: str, modes: str = "", size: tuple[int, int] = SIZE) -> Template:
    """Layers with holes and half coverage, and words wherever wanted."""
    folder.mkdir()
    generator = torch.Generator().manual_seed(3)
    for name, low in (("10-ground", 255), ("20-sky", 90), ("30-veil", 0), ("40-frame", 0)):
        pixels = torch.randint(0, 256, (*size, 4), generator=generator, dtype=torch.uint8)
        pixels[..., 3].clamp_(min=low)
        Image.fromarray(pixels.numpy(), "RGBA").save(folder / f"{name}.png")
    (folder / "template.toml").write_text(HEAD + modes + texts, "utf-8")
    return load_template(folder)


def _tensors(scene: Scene) -> list[torch.Tensor]:
    steps = [step for run in scene.runs for step in run]
    fields: Callable[[Overlay], list[torch.Tensor | None]] = lambda s: [  # noqa: E731
        *(s.gain, s.offset, s.rgb_enc, s.alpha, s.coverage)
    ]
    return [scene.below, *(t for s in steps for t in fields(s) if t is not None)]


MODE = '[[layer]]\nname = "veil"\nmode = "{}"\n'
CASES = {
    "no words": ("", ""),
    "words above": (TEXT % ("frame", 60), MODE.format("multiply")),
    "words below": (TEXT % ("ground", 10), MODE.format("soft-light")),
    "words everywhere": (
        "".join(TEXT % (n, y) for n, y in (("ground", 3), ("sky", 34), ("veil", 50))),
        "",
    ),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("budgets", [(1 << 20, 1 << 24), (0, 1 << 24), (0, 0)], ids=str)
def test_strips_are_rows_of_the_scene(case: str, budgets: tuple[int, int], tmp_path: Path) -> None:
    """From memory, from the disk, and where nothing can be kept."""
    texts, modes = CASES[case]
    template = _template(tmp_path / "t", texts, modes)
    fields = {"name": "Mira Åsa"}
    for size in (SIZE, (131, 87)):
        want = template.scene(size, fields)
        store = Store(tmp_path / f"kept-{size[0]}", *budgets)
        scenes = template.kept_in(store).strips(size, fields)
        for first, last in (
            (0, 1),
            (1, 38),
            (38, size[0] - 1),
            (size[0] - 1, size[0]),
            (0, size[0]),
        ):
            got = scenes.rows(slice(first, last))
            rows = want.window(slice(first, last), slice(0, size[1]))
            assert got.order == want.order
            pairs = zip(_tensors(got), _tensors(rows), strict=True)
            assert all(torch.allclose(a, b, rtol=0, atol=1e-6) for a, b in pairs)


def _counted(monkeypatch: pytest.MonkeyPatch) -> Counter[Key]:
    """How often each part is made from now on: a part that is made is kept."""
    made: Counter[Key] = Counter()
    keep = Held.keep

    def counted(held: Held, key: Key, part: Part) -> bool:
        made[key] += 1
        return keep(held, key, part)

    monkeypatch.setattr(Held, "keep", counted)
    return made


STRIPS = [slice(first, first + 18) for first in range(0, 90, 18)]
# Half coverage above and below the words: parts of like sizes.
BETWEEN = TEXT % ("veil", 60)


def _sizes(folder: Path) -> dict[str, int]:
    return {path.name: path.stat().st_size for path in folder.glob("*.safetensors")}


@pytest.mark.parametrize("memory", [0, 1 << 20], ids=["disk", "memory and disk"])
@pytest.mark.parametrize("share", [0.0, 0.45, 0.85, 1.0])
def test_a_part_is_made_once_a_picture(
    share: float, memory: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many of them the budget of the disk takes, and none is held that lies there."""
    template = _template(tmp_path / "t", BETWEEN)
    whole = Store(tmp_path / "whole", 0)
    template.kept_in(whole).strips(SIZE, {"name": "Mira"}).rows(STRIPS[0])
    parts = _sizes(whole.folder)
    assert len(parts) == 3
    budget = int(share * sum(parts.values()))
    made = _counted(monkeypatch)
    store = Store(tmp_path / "f", memory, budget)
    want = template.scene(SIZE, {"name": "Mira"})
    scenes = template.kept_in(store).strips(SIZE, {"name": "Mira"})
    for rows in STRIPS:
        got, same = scenes.rows(rows), want.window(rows, slice(None))
        pairs = zip(_tensors(got), _tensors(same), strict=True)
        assert all(torch.allclose(a, b, rtol=0, atol=1e-6) for a, b in pairs)
    assert len(made) == 3
    assert set(made.values()) == {1}
    small = {name for name, size in parts.items() if size <= budget}
    assert set(_sizes(store.folder)) == small
    assert len(scenes._kept.held) == 3 - len(small)


def test_memory_alone_makes_a_part_once_a_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    template = _template(tmp_path / "t", BETWEEN)
    made = _counted(monkeypatch)
    scenes = replace(template, _kept=Kept(200_000)).strips(SIZE, {"name": "Mira"})
    for rows in STRIPS:
        scenes.rows(rows)
    assert sum(part_bytes(part) for part in scenes._kept.held.values()) > 200_000
    assert list(made.values()) == [1, 1, 1]


def test_room_is_made_again_once_the_picture_is_done(tmp_path: Path) -> None:
    template = _template(tmp_path / "t", BETWEEN)
    folder = tmp_path / "f"
    scenes = template.kept_in(Store(folder, 0)).strips(SIZE, {})
    scenes.rows(STRIPS[0])
    parts = _sizes(folder)
    budget = sum(parts.values()) - 1
    other = Flattened(folder, "other", budget)
    other.keep(("ground", 0, (1, 1)), torch.zeros(8))
    assert set(parts) < set(_sizes(folder))
    del scenes
    other.keep(("ground", 1, (1, 1)), torch.zeros(8))
    assert sum(_sizes(folder).values()) <= budget


@pytest.mark.parametrize("found", [False, True], ids=["made", "found"])
def test_a_part_that_another_process_removes_is_made_once_more_and_held(
    found: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    template = _template(tmp_path / "t", BETWEEN)
    store = Store(tmp_path / "f", 0)
    here = template.kept_in(store)
    if found:
        here.strips(SIZE, {}).rows(STRIPS[0])
    made = _counted(monkeypatch)
    scenes = here.strips(SIZE, {})
    scenes.rows(STRIPS[0])
    first = int(not found)
    assert len(made) == 3 * first
    for rows in STRIPS[1:]:
        max(store.folder.iterdir(), key=lambda p: p.stat().st_size).unlink()
        scenes.rows(rows)
    # Three files are removed in as many strips, and then the one that was kept again, or none.
    assert max(made.values()) == first + 1
    for path in store.folder.iterdir():
        path.unlink()
    scenes.rows(STRIPS[0])
    assert set(made.values()) == {first + 1}
    assert len(scenes._kept.held) == 3
    before = made.copy()
    for rows in STRIPS:
        scenes.rows(rows)
    assert made == before
