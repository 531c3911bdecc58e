"""`make demo`, whole: five finished pictures and a greeting, held against the demo's known alpha.

The clip's subject, alpha and screen are known exactly (`demo_clips.truth`), so what the pictures
should be is worked out here without the Keyer: the true subject, its green limited to the larger of
red and blue (Smith and Blinn, "Blue Screen Matting", SIGGRAPH 1996), laid over the template by the
over of Porter and Duff, "Compositing Digital Images", SIGGRAPH 1984.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import av
import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from PIL import Image, ImageCms
from torch import Tensor

from demo_clips import play, scenario, truth
from models.color import planes_to_rgb
from models.composite import apply_overlays
from models.transfer import Transfer, decode, encode
from stream.capture.frame import Frame
from stream.event import Event
from stream.film.owner import film_owner
from stream.prints.picture import picture_owner
from stream.shot import find_shot, load_frame
from stream.take import find_take
from stream.template import Template
from tests.models.placing import place

SHOWN_S = 0.9
"""Of the clip, in the greeting."""


@dataclass(frozen=True)
class Played:
    event: Event
    pictures: list[Path]

    def codes(self, number: int) -> NDArray[np.float32]:
        """The picture of a shot: (H, W, 3), 0 to 255."""
        path = self.event.paths.pictures / find_shot(self.event, str(number)).picture
        with Image.open(path) as image:
            return np.asarray(image, np.float32)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    folder = tmp_path_factory.mktemp("demo") / "event"
    begin_s, _, person = play.GREETING
    with pytest.MonkeyPatch.context() as patch:
        # A greeting of so many frames that the card has gone and the person is there.
        patch.setattr(play, "GREETING", (begin_s, str(float(begin_s) + SHOWN_S), person))
        assert play.main(["--event", str(folder)]) == 0
    return Played(Event.open(folder), sorted((folder / "pictures").glob("*.jpg")))


def _film(played: Played) -> list[NDArray[np.float32]]:
    """The frames of the greeting, (H, W, 3), 0 to 255."""
    (path,) = (played.event.paths.films).glob("*.mp4")
    with av.open(str(path)) as film:
        return [f.to_ndarray(format="rgb24").astype(np.float32) for f in film.decode(video=0)]


def test_a_greeting_with_a_card_a_name_and_music(played: Played) -> None:
    take = find_take(played.event, "1")
    (wanted,) = take.films
    path = played.event.paths.films / wanted.film
    assert film_owner(path) == picture_owner(path.with_suffix(".jpg")) == take.unique
    person = play.GREETING[2]
    assert take.people == (person,)
    template = played.event.template_version(take.template, take.template_version)
    card_s = template.film.opening.seconds
    with av.open(str(path)) as film:
        video, voice = film.streams.video[0], film.streams.audio[0]
        assert (video.width, video.height) == (1920, 1080)
        assert video.average_rate is not None
        assert float(video.average_rate) == truth.FPS
        length_s = card_s + SHOWN_S
        assert video.frames == round(length_s * truth.FPS)
        heard = np.concatenate([f.to_ndarray() for f in film.decode(voice)], 1)
        # Music under the card, before anybody is there to speak.
        assert float(np.abs(heard[:, : int(0.9 * card_s * voice.rate)]).max()) > 0.01
    frames = _film(played)
    first, taken = frames[0], frames[round((card_s + 0.45) * truth.FPS)]
    # The card shows nobody; the take shows the subject where the card shows the lake.
    other = np.abs(taken - first).mean(2) > 25
    high, across = other.shape
    assert (
        float(other[int(0.32 * high) : int(0.6 * high), int(0.42 * across) :][:, :200].mean()) > 0.5
    )
    assert float(other[: int(0.25 * high)].mean()) < 0.02, "the sky over the lake has changed"
    green = taken[..., 1] - np.maximum(taken[..., 0], taken[..., 2])
    assert float((green > 12).mean()) < 0.001, "the green screen is to be seen"


def _loop_frame(frame: Frame) -> int:
    """Which frame of the clip this is, up to whole rounds of the loop."""
    seen = planes_to_rgb(frame.planes, frame.encoding)
    light = decode(seen, frame.encoding.transfer)[0, :, ::8, ::8]
    first = truth.CLEAN_FRAMES
    errors = [
        float((light - _coarse(n)).abs().mean()) for n in range(first, first + truth.LOOP_FRAMES)
    ]
    best = int(np.argmin(errors))
    assert errors[best] < 0.01, "the shot shows no frame of the clip"
    return first + best


@cache
def _coarse(frame: int) -> Tensor:
    """Every eighth pixel of a frame of the clip: (3, H, W)."""
    return _chw(truth.composed(frame)[::8, ::8])[0]


def _chw(array: NDArray[np.float32]) -> Tensor:
    wide = array if array.ndim == 3 else array[..., None]
    return torch.from_numpy(np.ascontiguousarray(wide.transpose(2, 0, 1)))[None]


def _template(played: Played, number: int) -> tuple[Template, dict[str, str], Frame]:
    shot = find_shot(played.event, str(number))
    person = played.event.roster.get(shot.people[0])
    assert person is not None
    template = played.event.template_version(shot.template, shot.template_version)
    return template, dict(person.fields), load_frame(played.event, shot)


def test_five_pictures_ready_for_print(played: Played) -> None:
    assert len(played.pictures) == 5
    for path in played.pictures:
        with Image.open(path) as image:
            # 8x10 inches at 300 ppi.
            assert image.size == (2400, 3000)
            assert image.info["dpi"] == pytest.approx((300, 300))
            profile = ImageCms.getOpenProfile(io.BytesIO(image.info["icc_profile"]))
            assert "sRGB" in ImageCms.getProfileDescription(profile)
            assert image.getexif().get(0x0112, 1) == 1


@pytest.mark.parametrize("number", [1, 2])
def test_the_cut_agrees_with_the_known_alpha(played: Played, number: int) -> None:
    template, fields, frame = _template(played, number)
    n = _loop_frame(frame)
    size = template.picture_size()
    placement = template.placement(frame.upright_size, size)
    subject = _chw(truth.foreground_pm(n))
    subject[:, 1] = torch.minimum(subject[:, 1], torch.maximum(subject[:, 0], subject[:, 2]))
    laid = place(torch.cat([subject, _chw(truth.alpha(n))], 1), placement, size)
    alpha = laid[:, 3:4].clamp(0, 1)
    scene = template.scene(size, fields)
    over = laid[:, 0:3].clamp_min(0) + (1 - alpha) * scene.below
    wanted = apply_overlays(encode(over, Transfer.SRGB), scene.overlays)[0] * 255
    bare = apply_overlays(encode(scene.below, Transfer.SRGB), scene.overlays)[0] * 255
    got = torch.from_numpy(played.codes(number).transpose(2, 0, 1).copy())
    off = (got - wanted).abs().mean(0)
    a = alpha[0, 0]
    outside, inside = a < 1e-4, a > 0.999
    partial = ~outside & ~inside
    assert float(partial.float().mean()) > 0.005
    fringe = (got[1] - torch.maximum(got[0], got[2])) - (
        wanted[1] - torch.maximum(wanted[0], wanted[2])
    )
    # In codes of 255; the bounds are about 1.4 times what was measured on both shots. JPEG alone
    # is .9 outside.
    measured = {
        "haze outside": (float((got - bare).abs().mean(0)[outside].mean()), 1.4),
        "colour inside": (float(off[inside].mean()), 2.2),
        "edge": (float(off[partial].mean()), 6.0),
        "green in the edge": (float(fringe[partial].clamp_min(0).mean()), 3.5),
    }
    assert all(value < bound for value, bound in measured.values()), measured
    # The test can fail: without a cut, or with the subject left out, every bound is broken.
    assert float((wanted - bare).abs().mean(0)[inside].mean()) > 15


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_the_right_name_is_set(played: Played, number: int) -> None:
    template, fields, _ = _template(played, number)
    size = template.picture_size()
    box = next(t.box for t in template.texts if "{name}" in t.value)
    x, y, width, height = (round(v) for v in box)
    got = played.codes(number)[y : y + height, x : x + width]

    def error(name: str) -> float:
        strips = template.strips(size, {**fields, "name": name})
        strip = strips.rows(slice(y, y + height))
        bare = apply_overlays(encode(strip.below, Transfer.SRGB), strip.overlays)[0]
        part = bare[..., x : x + width].permute(1, 2, 0).numpy() * 255
        return float(np.abs(got - part).mean())

    others = [p.name for p in played.event.roster if p.name != fields["name"]]
    assert len(others) == 11
    assert error(fields["name"]) < 0.5 * min(error(name) for name in others)


def test_the_stills_are_made_as_they_were_ordered(played: Played) -> None:
    ordered = [
        [(w.template, w.copies) for w in find_shot(played.event, str(n)).wanted] for n in (3, 4)
    ]
    assert ordered == [
        [(scenario.EVENING, 2), (scenario.DAYLIGHT, 1)],
        [(scenario.DAYLIGHT, 1)],
    ]
