"""The stage never keeps the name of the person before."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
import torch

from models.composite import Scene
from models.errors import PosewallError
from stream.live import scenes
from stream.live.scenes import SceneMaker
from stream.template import Template, load_template
from tests.stream.live.evening import make_template

SIZE = (180, 320)


def until(check: Callable[[], bool]) -> None:
    end = time.monotonic() + 10
    while not check():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_name_that_cannot_be_set(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    template = load_template(make_template(tmp_path / "dusk"))
    real = Template.scene
    cause = threading.Event()
    monkeypatch.setattr(scenes, "AGAIN_S", 0.3)

    def scene(
        self: Template, size: tuple[int, int], fields: Mapping[str, str], device: str = "cpu"
    ) -> Scene:
        if fields.get("name") == "Oskar" and not cause.is_set():
            raise PosewallError("The font lacks a letter.")
        return real(self, size, fields, device)

    monkeypatch.setattr(Template, "scene", scene)
    said: list[str] = []
    stop = threading.Event()
    maker = SceneMaker(template, SIZE[0], "cpu", stop, said.append)
    maker.start()
    shown = []
    for name in ("Mira", "Oskar", "Sela"):
        before = maker.current
        maker.want({"name": name})
        until(lambda before=before: maker.current is not before)  # type: ignore[misc]
        assert maker.current is not None
        shown.append(maker.current.scene)
    # what failed only for a while is shown in the end
    cause.set()
    maker.want({"name": "Oskar"})
    until(lambda: maker.current is not None and all(maker.current.scene is not s for s in shown))
    cause.clear()
    before = maker.current
    maker.want({"name": "Oskar"})
    until(lambda: maker.current is not before)
    plain_again = maker.current
    cause.set()
    until(lambda: maker.current is not plain_again)
    assert maker.current is not None
    shown.append(maker.current.scene)
    stop.set()
    maker.close()
    plain = real(template, SIZE, {"name": ""})
    named = real(template, SIZE, {"name": "Mira"})

    def same(one: Scene, other: Scene) -> bool:
        pairs = zip(one.overlays, other.overlays, strict=True)
        return all(
            torch.equal(a, b)
            for x, y in pairs
            for a, b in ((x.gain, y.gain), (x.offset, y.offset))
            if a is not None and b is not None
        )

    assert same(shown[1], plain)
    assert same(shown[0], named)
    assert not same(shown[0], shown[1])
    assert same(shown[3], real(template, SIZE, {"name": "Oskar"}))
    assert any("shows the design without them" in s for s in said)
    assert "The font lacks a letter." in said


def test_a_design_that_cannot_be_had_leaves_nobodys_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = load_template(make_template(tmp_path / "dusk"))
    broken = load_template(make_template(tmp_path / "dawn"))
    real = Template.scene

    def scene(
        self: Template, size: tuple[int, int], fields: Mapping[str, str], device: str = "cpu"
    ) -> Scene:
        if self.name == "dawn":
            raise PosewallError("A layer cannot be read.")
        return real(self, size, fields, device)

    monkeypatch.setattr(Template, "scene", scene)
    said: list[str] = []
    stop = threading.Event()
    maker = SceneMaker(usual, SIZE[0], "cpu", stop, said.append)
    maker.start()
    maker.want({"name": "Mira"})
    until(lambda: maker.current is not None)
    before = maker.current
    maker.want({"name": "Oskar"}, broken)
    until(lambda: maker.current is not before)
    stop.set()
    maker.close()
    assert maker.current is not None
    plain = real(usual, SIZE, {"name": ""})
    assert torch.equal(maker.current.scene.below, plain.below)
    assert maker.current.template is usual
    assert maker.current.fields == {"name": ""}
    assert scenes.DESIGNLESS in said
