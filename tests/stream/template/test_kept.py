"""Finished parts are kept within budgets of memory and disk, and show nobody's name."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch
from safetensors import safe_open
from safetensors.torch import load_file

from models.composite import apply_overlays
from models.flatten import Flat
from stream.template import load_template
from stream.template.flattened import Flattened
from stream.template.kept import Kept, Store, part_bytes
from tests.stream.template.building import PICTURE, SLOT, TEXT, folder_of


def test_the_part_unused_for_longest_goes_first() -> None:
    kept = Kept(budget=1000)
    part = torch.zeros(100)  # 400 bytes
    for i in range(2):
        kept.keep(("ground", i, (1, 1)), part.clone())
    assert kept.find(("ground", 0, (1, 1))) is not None
    kept.keep(("ground", 2, (1, 1)), part.clone())
    assert kept.find(("ground", 1, (1, 1))) is None
    assert kept.find(("ground", 0, (1, 1))) is not None
    assert kept.find(("ground", 2, (1, 1))) is not None


def test_a_part_over_the_budget_is_not_kept() -> None:
    kept = Kept(budget=1000)
    kept.keep(("ground", 0, (1, 1)), torch.zeros(10))
    kept.keep(("start", 0, (1, 1)), Flat(torch.zeros(1, 3, 10, 10), torch.zeros(1, 1, 10, 10)))
    assert kept.find(("start", 0, (1, 1))) is None
    assert kept.find(("ground", 0, (1, 1))) is not None


def written(folder: Path) -> dict[str, list[bytes]]:
    """What lies in each file; its notes have no order of their own, so they are sorted here."""
    found = {}
    for path in folder.iterdir():
        with safe_open(path, framework="pt") as file:
            notes = sorted(f"{k} {v}".encode() for k, v in (file.metadata() or {}).items())
        found[path.name] = [*notes, *sorted(v.numpy().tobytes() for v in load_file(path).values())]
    return found


WORDY = (
    PICTURE
    + SLOT
    + "".join(TEXT.replace('"frame"', f'"{name}"') for name in ("sky", "hills", "frame"))
    + '[[code]]\nvalue = "https://example.org/{id}"\nabove = "frame"\nbox = [4, 4, 60, 60]\n'
)
TWO = PICTURE + "".join(
    part.replace('"hills"', f'"{name}"') for name, part in (("sky", SLOT), ("frame", SLOT))
).replace("[slot]", "[[slot]]")


def test_one_budget_serves_all_templates(tmp_path: Path) -> None:
    store = Store(tmp_path / "f", memory=1000, disk=0)
    part = torch.zeros(100)
    for version in ("a", "b", "c"):
        store.of(version).keep(("ground", 0, (1, 1)), part.clone())
    found = [store.of(v).find(("ground", 0, (1, 1))) is not None for v in ("a", "b", "c")]
    assert found == [False, True, True]
    assert sum(part_bytes(p) for p in store.memory.parts.values()) <= 1000


def test_what_memory_dropped_is_read_from_disk(tmp_path: Path) -> None:
    store = Store(tmp_path / "f", memory=1000)
    keys = [("ground", i, (1, 1)) for i in range(3)]
    parts = [torch.rand(100) for _ in keys]
    for key, part in zip(keys, parts, strict=True):
        store.of("a").keep(key, part)
    assert len(store.memory.parts) == 2
    for key, part in zip(keys, parts, strict=True):
        found = store.of("a").find(key)
        assert isinstance(found, torch.Tensor)
        assert torch.equal(found, part)
        assert store.of("a").find(key) is found
    assert store.of("b").find(keys[0]) is None


@pytest.mark.parametrize("toml", [WORDY, TWO + TEXT], ids=["words everywhere", "two slots"])
def test_what_lies_on_disk_is_the_same_for_everybody(tmp_path: Path, toml: str) -> None:
    """No part hangs on a person's name: the same bytes whoever came first, and no further ones."""
    template = load_template(folder_of(tmp_path / "ball", toml))
    people = [{"name": "Ana", "id": "17"}, {"name": "Bartholomea", "id": "4711"}, {}]
    seen = []
    for i, fields in enumerate(people):
        here = template.kept_in(Store(tmp_path / f"f{i}"))
        here.scene((100, 80), fields)
        first = written(tmp_path / f"f{i}")
        for other in people:
            here.scene((100, 80), other)
        assert written(tmp_path / f"f{i}") == first
        seen.append(first)
    assert seen[0]
    assert seen[0] == seen[1] == seen[2]


@pytest.mark.parametrize("toml", [WORDY, TWO + TEXT], ids=["words everywhere", "two slots"])
def test_a_scene_from_disk_is_the_scene(tmp_path: Path, toml: str) -> None:
    template = load_template(folder_of(tmp_path / "ball", toml))
    fields = {"name": "Ana", "id": "17"}
    want = template.scene((100, 80), fields)
    template.kept_in(Store(tmp_path / "f")).scene((100, 80), {})
    got = template.kept_in(Store(tmp_path / "f")).scene((100, 80), fields)
    assert torch.equal(got.below, want.below)
    assert got.order == want.order
    picture = torch.rand(1, 3, 100, 80)
    for one, other in zip(got.runs, want.runs, strict=True):
        assert torch.equal(apply_overlays(picture, one), apply_overlays(picture, other))


def test_a_part_is_written_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    low = TEXT.replace('"frame"', '"sky"')
    template = load_template(folder_of(tmp_path / "ball", PICTURE + SLOT + low))
    here = template.kept_in(Store(tmp_path / "f"))
    here.scene((100, 80), {"name": "Ana"})

    def refuse(*_: object) -> None:
        raise AssertionError("a part was written again")

    monkeypatch.setattr(Flattened, "keep", refuse)
    here.scene((100, 80), {"name": "Bo"})
    template.kept_in(Store(tmp_path / "f")).scene((100, 80), {"name": "Bo"})
