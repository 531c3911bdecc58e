"""How training subjects are drawn by lot, what they are made of, and the files that they become.

Blender and the modules that build people are not here; stand-ins take what they would be given.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any
from unittest.mock import MagicMock

import numpy as np
import pytest
from numpy.typing import NDArray

from models.training import subjects as training
from scripts.subjects import cloth, people, shapes
from scripts.subjects.__main__ import LEAST_SEED, main, render_all, seeds
from scripts.subjects.chance import KINDS, TWO_KINDS, Chance
from scripts.subjects.passes import UnsoundError, alpha_file, check, rendered, write
from scripts.subjects.renderer import MODULES, Renderer, load
from scripts.subjects.subject import MAKERS, SIZE, Scene, make
from stream.errors import UserError

SEEDS = range(LEAST_SEED, LEAST_SEED + 2000)
BONES = ("Hips", "Spine2", "Neck", "Head", "LeftForeArm", "LeftHand", "RightForeArm", "RightHand")
# Metres, of the stand-in's joints, in this order.
PLACES = np.array([
    [0, 0, 1], [0, 0, 1.3], [0, 0, 1.45], [0, 0, 1.55],
    [0.3, 0, 1.2], [0.25, -0.3, 1.25], [-0.3, 0, 1.2], [-0.5, 0, 1],
])  # fmt: skip


class Cloth:
    """A garment of Blender's: two squares side by side."""

    name = "cloth.001"
    points = ((0, 0, 1), (1, 0, 1), (2, 0, 1), (0, 0, 2), (1, 0, 2), (2, 0, 2))
    faces = ([0, 1, 4, 3], [1, 2, 5, 4])

    def __init__(self) -> None:
        self.data, self.vertices = self, self
        self.polygons = [SimpleNamespace(vertices=f) for f in self.faces]

    def __len__(self) -> int:
        return len(self.points)

    def foreach_get(self, name: str, out: NDArray[np.float32]) -> None:
        assert name == "co"
        out[:] = np.ravel(self.points)


class Person:
    """Stands where one would be built; the skin's vertices lie at the joints."""

    near = np.arange(people.SKIN_VERTICES) % len(BONES)
    weights = np.eye(len(BONES))[near]

    def __init__(self, described: dict[str, Any]) -> None:
        self.described = described
        self.v = PLACES[self.near]
        self.h = SimpleNamespace(v=self.v, bh=PLACES, xform=self.xform, posed=lambda _: self.v)

    def xform(self, pose: people.Pose, root: tuple[float, ...], rootz: float) -> Any:
        joints = np.tile(np.eye(4), (len(BONES), 1, 1))
        joints[:, :3, 3] = root
        self.v = PLACES[self.near] + root
        return joints

    def build(self, joints: Any, later: Any) -> list[Any]:
        return [MagicMock(), Cloth()]


def _rotation(axis: str, degrees: float) -> NDArray[np.float64]:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    out = np.eye(3)
    out[i, i], out[i, j], out[j, i], out[j, j] = c, -s, s, c
    return out


@pytest.fixture
def draw() -> Renderer:
    """Takes what would be drawn, and keeps it."""
    human = SimpleNamespace(
        BI={name: i for i, name in enumerate(BONES)},
        W=Person.weights,
        rot=_rotation,
        vnormals=lambda v, _: np.tile([0.0, -1, 0], (len(v), 1)),
    )
    props, scene = MagicMock(), MagicMock(Person=Person)
    props.wheel.side_effect = lambda *_, **__: [MagicMock()]
    props.specs.return_value = []
    props.grid_faces.return_value = []
    return Renderer(None, human, props, scene)


def test_a_seed_always_draws_the_same() -> None:
    def drawn(seed: int) -> tuple[Any, ...]:
        chance = Chance(seed)
        kinds = chance.kinds()
        return kinds, people.described(chance, seed, set(kinds)), chance.color(), chance.metal()

    assert drawn(LEAST_SEED) == drawn(LEAST_SEED)
    assert drawn(LEAST_SEED) != drawn(LEAST_SEED + 1)


def test_kinds_come_as_often_as_they_weigh() -> None:
    drawn = [Chance(seed).kinds() for seed in SEEDS]
    assert {len(set(kinds)) for kinds in drawn} == {1, 2}
    assert abs(np.mean([len(kinds) == 2 for kinds in drawn]) - TWO_KINDS) < 0.05
    first = Counter(kinds[0] for kinds in drawn)
    whole = sum(KINDS.values())
    # Four standard deviations of a count of 2000.
    for kind, weight in KINDS.items():
        p = weight / whole
        assert abs(first[kind] / len(SEEDS) - p) < 4 * np.sqrt(p * (1 - p) / len(SEEDS)), kind


def test_every_kind_has_a_maker() -> None:
    assert set(MAKERS) | {"mirror"} == set(KINDS)


def test_colors_are_reflectances_and_a_third_is_neutral() -> None:
    colors = np.array([Chance(seed).color() for seed in SEEDS])
    assert colors.shape == (len(SEEDS), 3)
    assert colors.min() >= 0
    assert colors.max() < 0.9
    neutral = np.ptp(colors, axis=1) <= 0.1001 * colors.max(1)
    assert abs(neutral.mean() - 0.36) < 0.05
    # Green, but not the screen's: saturated green ones are rare, pale and yellowish ones are not.
    green = ~neutral & (colors.argmax(1) == 1)
    assert 0.15 < green.mean() < 0.45


def test_metals_are_smooth_and_bright() -> None:
    for seed in SEEDS[:100]:
        metal = Chance(seed).metal()
        assert 0.9 <= metal["metal"] <= 1
        assert 0.05 <= metal["rough"] <= 0.3
        assert max(metal["color"]) > 0.3


def test_mirroring_cloth_is_metal_and_holding_brings_the_hand_up() -> None:
    for seed in SEEDS[:100]:
        person, pose = people.described(Chance(seed), seed, {"mirror", "glass"})
        assert person["clothes"][-1]["metal"] >= 0.9
        assert pose["LeftArm"][0][1] > 0
        assert pose["LeftForeArm"][0][1] < -79
        person, _ = people.described(Chance(seed), seed, {"veil"})
        assert all("metal" not in garment for garment in person["clothes"])
        assert {"style", "color", "n", "length"} <= set(person["hair"])


def test_a_profile_is_turned_into_a_closed_ring_of_faces() -> None:
    vertices, faces = shapes.revolved([[0.5, 0.0], [1.0, 2.0]], sides=8, deep=0.5)
    assert vertices.shape == (16, 3)
    assert np.allclose(vertices[0], [0.5, 0, 0])
    assert np.allclose(vertices[8 + 2], [0, 0.5, 2])
    assert len(faces) == 8
    assert len(cloth.edges(faces)) == 2 * 8, "open above and below"
    assert {i for face in faces for i in face} == set(range(16))


def test_hems_are_the_edges_of_one_face() -> None:
    hems = cloth.edges([list(f) for f in Cloth.faces])
    assert sorted(hems) == [(0, 1), (0, 3), (1, 2), (2, 5), (3, 4), (4, 5)]


def test_strands_begin_at_their_roots_and_fall() -> None:
    r = np.random.default_rng(0)
    roots, ways = r.normal(size=(50, 3)), np.tile([5.0, 0, 0], (50, 1))
    out = shapes.strands(r, roots, ways, 0.2, gravity=1, steps=8)
    assert out.shape == (50, 9, 3)
    assert np.array_equal(out[:, 0], roots)
    lengths = np.linalg.norm(np.diff(out, axis=1), axis=2).sum(1)
    assert lengths.min() > 0.0999
    assert lengths.max() < 0.2201
    assert (out[:, -1, 2] < roots[:, 2]).all()
    assert (out[:, -1, 0] > roots[:, 0]).all()


def test_what_moves_is_in_its_place_amid_the_shutter(draw: Renderer) -> None:
    places: dict[int, Any] = {}
    thing = SimpleNamespace(animation_data=MagicMock())
    thing.keyframe_insert = lambda name, frame: places.update({frame: list(thing.location)})
    shapes.move(draw, [thing], (0.1, 0, 0), 10, (1, 0, 2))
    before, after = np.array(places[0]), np.array(places[2])
    centre = np.array([1, 0, 2])
    for sign, place in ((-1, before), (1, after)):
        turned = _rotation("y", 10 * sign) @ centre + place
        assert np.allclose(turned, centre + np.array([0.1, 0, 0]) * sign)


def test_every_kind_is_drawn_and_what_is_held_is_in_the_picture(draw: Renderer) -> None:
    seen = Counter[str]()
    for seed in SEEDS[:150]:
        made = make(draw, seed)
        kinds = made.label.split()[0].split("+")
        seen.update(kinds)
        (_, look), options = draw.scene.camera.call_args
        if {"glass", "stick", "fan"} & set(kinds):
            assert abs(PLACES[5, 0] - look[0]) < options["fh"] * 0.75 / 2, made.label
        assert 0.5 <= options["fh"] < 2.5
    assert set(seen) == set(KINDS)
    for call in draw.scene.mesh.call_args_list:
        name, vertices, faces, _ = call.args
        assert np.isfinite(vertices).all(), name
        assert all(max(face) < len(vertices) for face in faces), name
        assert np.abs(vertices).max() < 3, name
    for call in draw.scene.curves.call_args_list:
        assert call.args[1].ndim == 3, call.args[0]
        assert np.isfinite(call.args[1]).all(), call.args[0]
        assert 0 < call.args[4] <= call.args[3] < 0.02, call.args[0]
    calls = *draw.scene.mesh.call_args_list, *draw.scene.curves.call_args_list
    assert {"glass", "tutu", "leaf", "hat", "strings", "barbs"} <= {c.args[0] for c in calls}


def test_veils_over_the_head_are_in_layers_of_one_cloth_with_hems_apart(draw: Renderer) -> None:
    props = MagicMock()
    draw = Renderer(None, draw.human, props, draw.scene)
    figure = MagicMock(draw=draw, at=np.zeros(3), top=1.7)
    counts = Counter[int]()
    for seed in SEEDS:
        props.drape.reset_mock()
        draw.scene.mat_alpha.reset_mock()
        assert len(cloth.veil(Chance(seed), figure)) == max(1, props.drape.call_count)
        draw.scene.mat_alpha.assert_called_once()
        counts[props.drape.call_count] += 1
        calls = props.drape.call_args_list
        for key in ("span", "zlen"):
            assert len({call.kwargs[key] for call in calls}) == len(calls), key
    assert set(counts) == {0, 1, 2, 3}
    # Four standard deviations of a count of 2000 are at most .045 of it.
    assert abs(counts[2] + counts[3] - cloth.LAYERED * len(SEEDS)) < 0.045 * len(SEEDS)
    assert abs(len(SEEDS) - counts[0] - cloth.DRAPED * len(SEEDS)) < 0.045 * len(SEEDS)


def test_noise_of_a_render_is_not_taken_for_the_screen_s_light(
    tmp_path: Path, draw: Renderer
) -> None:
    size = SIZE[::-1]
    color = (
        draw.scene.screen.data.materials[0].node_tree.nodes["Principled BSDF"].inputs["Base Color"]
    )
    color.default_value, color.links = (0.03, 0.4, 0.07, 1), []

    def shoot(*_: Any, seed: int) -> tuple[NDArray[np.float32], float]:
        noise = np.random.default_rng(seed).normal(1, 0.1, (*size, 3))
        return (noise + color.default_value[:3]).astype(np.float32), 0

    draw.scene.TMP = tmp_path
    draw.scene.shoot.side_effect = shoot
    draw.scene.straight.side_effect = lambda shot, _: shot
    draw.scene.alpha.return_value = np.ones(size, np.float32), 0
    blender = MagicMock()
    blender.data.materials = []
    draw = Renderer(blender, draw.human, draw.props, draw.scene)
    made = Scene(MagicMock(), draw.scene.screen, [], "")
    for seed in (5000, 5001):
        picture = rendered(draw, made, seed)
        light = picture.lit - picture.neutral
        assert np.ptp(light, axis=(0, 1)).max() < 1e-5
        assert light[0, 0, 1] > 0.05, "the screen is grey in one of them only"
        color.default_value = (0.03, 0.4, 0.07, 1)


def _picture(cover: float = 0.5, light: float = 0.2) -> training.Subject:
    alpha = np.zeros((96, 72), np.float32)
    alpha[: round(96 * cover)] = 1
    alpha[4:8] *= 0.3
    color = np.full((96, 72, 3), light, np.float32)
    return training.Subject(alpha, color, 0.5 * color)


@pytest.mark.parametrize(
    ("picture", "words"),
    [
        (_picture(cover=0.02), "mean alpha"),
        (_picture(cover=1), "mean alpha"),
        (_picture(light=0), "black"),
        (_picture(light=np.nan), "no number"),
        (
            training.Subject(np.full((96, 72), 0.5, np.float32), _picture().lit, _picture().lit),
            "black",
        ),
    ],
)
def test_a_picture_that_cannot_be_right_is_refused(picture: training.Subject, words: str) -> None:
    check(_picture())
    with pytest.raises(UnsoundError, match=words):
        check(picture)


def test_training_reads_what_is_written(tmp_path: Path) -> None:
    picture = _picture()
    write(picture, tmp_path, "r5000")
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "r5000_a.png",
        "r5000_f.jpg",
        "r5000_n.jpg",
    ]
    assert training.names(tmp_path) == ["r5000"]
    back = training.load(tmp_path, "r5000")
    assert np.abs(back.alpha - picture.alpha).max() <= 0.5 / 4095 + 1e-6
    assert np.abs(back.lit - picture.lit)[:40].max() < 0.01
    assert np.abs(back.neutral - picture.neutral)[:40].max() < 0.01
    assert back.lit[70:].max() < 0.01, "nothing is kept well outside"


def test_what_is_there_is_passed_over_and_a_failure_is_not_the_end(
    tmp_path: Path, draw: Renderer, capsys: pytest.CaptureFixture[str]
) -> None:
    alpha_file(tmp_path, "r5001").touch()
    draw.scene.reset.side_effect = RuntimeError("out of memory")
    assert render_all(draw, range(5000, 5003), tmp_path) == [5000, 5002]
    assert "r5002: failed: out of memory" in capsys.readouterr().err


def test_seeds_begin_where_no_other_set_has_any() -> None:
    assert list(seeds(1, 2, 3)) == [5001, 5003, 5005]
    for wrong in ((-1, 1, 1), (0, 0, 1), (0, 1, 0)):
        with pytest.raises(UserError, match="got FIRST"):
            seeds(*wrong)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of empty modules; path and modules are as before afterwards."""
    monkeypatch.setattr(sys, "path", list(sys.path))
    for name in MODULES:
        (tmp_path / name).write_text("X = 1\n", "utf-8")
        # Set and taken away again, so that what is imported meanwhile is forgotten, too.
        monkeypatch.setitem(sys.modules, name[:-3], ModuleType(name[:-3]))
        monkeypatch.delitem(sys.modules, name[:-3])
    monkeypatch.setitem(sys.modules, "bpy", ModuleType("bpy"))
    return tmp_path


def _said(folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main([str(folder), "0", "1", "1", str(folder / "out")]) == 2
    said = capsys.readouterr().err
    assert said.startswith("subjects: ")
    assert said.count("\n") == 1
    assert not (folder / "out").exists()
    return said


def test_the_folder_s_own_modules_are_found(folder: Path) -> None:
    found = load(folder)
    assert found.scene.__file__ == str(folder / "scene.py")
    assert found.human.X == 1


@pytest.mark.parametrize("name", MODULES)
def test_a_folder_that_lacks_a_module_is_one_sentence(
    folder: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / name).unlink()
    assert f"there is no {name} in it; RENDER_FOLDER must hold" in _said(folder, capsys)


def test_a_python_without_blender_is_one_sentence(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "bpy", None)
    said = _said(folder, capsys)
    assert "has no module bpy; run this by a Python of its own" in said
    assert "pip install bpy==" in said


def test_a_mesh_without_its_data_is_one_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "human.py").write_text("open('mh/base.obj')\n", "utf-8")
    assert "the mesh's data could not be read (mh/base.obj:" in _said(folder, capsys)
