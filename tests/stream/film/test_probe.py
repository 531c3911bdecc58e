"""Which encoder a film gets, and when one that it was begun with is given up."""

from __future__ import annotations

import errno
from fractions import Fraction
from typing import Any

import av
import pytest

from stream.film.encoder import HARDWARE, SOFTWARE, Coding, EncoderError, software
from stream.film.probe import WAITS_S, Refusal, all_there, begun_with, choose, may_pass, tried
from tests.stream.film.planes import SIZE

RATE = Fraction(30)
CARD = HARDWARE[0]
SIZES = {"wide": (180, 320), "tall": (320, 180)}


def begun(coding: Coding) -> dict[str, Any]:
    return {name: coding.to_json() for name in SIZES}


def test_software_is_taken_where_the_machine_has_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """Each hardware encoder is really tried here; those that cannot work say why in the log."""
    caplog.set_level("INFO", "posewall.film")
    found = choose(SIZE, RATE)
    passed = [c.encoder for c in HARDWARE if tried(c, SIZE, RATE) is not None]
    assert found.encoder == SOFTWARE or found.encoder not in passed
    for name in passed:
        if found.encoder == SOFTWARE:
            assert f"the encoder {name} is not used: " in caplog.text


def test_the_first_that_works_is_taken() -> None:
    asked = []

    def try_out(coding: Coding, size: tuple[int, int], rate: Fraction) -> Refusal | None:
        asked.append(coding.encoder)
        return None if coding.encoder == "h264_qsv" else Refusal("no such card")

    assert choose(SIZE, RATE, try_out=try_out).encoder == "h264_qsv"
    assert asked == ["h264_nvenc", "h264_qsv"]
    asked.clear()
    assert choose(SIZE, RATE, SOFTWARE).encoder == SOFTWARE
    with pytest.raises(EncoderError, match=r"no encoder for films .*h264_nvenc: no such"):
        choose(SIZE, RATE, "h264_nvenc", try_out)
    with pytest.raises(EncoderError, match="encoder 'mpeg9' is not known; choose auto or one of"):
        choose(SIZE, RATE, "mpeg9", try_out)


# --- tried out ------------------------------------------------------------------------------


def x264(**options: str) -> Coding:
    return Coding(SOFTWARE, "yuv420p", {"preset": "ultrafast", **options}, 1)


@pytest.mark.parametrize("quality", ["10", "18", "26"])
def test_an_encoder_that_works_passes(quality: str) -> None:
    assert tried(software(1), SIZE, RATE) is None
    assert tried(x264(crf=quality), (180, 320), RATE) is None


def test_one_that_is_not_there_is_not_waited_for() -> None:
    assert tried(Coding("nothing264"), SIZE, RATE) == Refusal("the media library has none")
    for coding in HARDWARE:
        refusal = tried(coding, SIZE, RATE)
        # Seen here of cards that are absent: EPERM of the first, "unknown" of the next two.
        assert refusal is None or (refusal.why and not refusal.passes)


@pytest.mark.parametrize("code", [errno.EAGAIN, errno.EBUSY, errno.ENOMEM])
def test_one_that_is_in_use_may_be_waited_for(code: int) -> None:
    with pytest.raises(av.error.FFmpegError) as raised:
        av.error.err_check(-code)
    assert may_pass(raised.value)


def test_of_the_media_librarys_own_errors_only_the_cards_may_pass() -> None:
    """FFmpeg, libavutil/error.h: AVERROR_EXTERNAL is "EXT ", AVERROR_UNKNOWN "UNKN"."""
    for tag, passes in ((b"EXT ", True), (b"UNKN", False), (b"INDA", False)):
        with pytest.raises(av.error.FFmpegError) as raised:
            av.error.err_check(-int.from_bytes(tag, "little"))
        assert may_pass(raised.value) is passes


def test_one_whose_luma_is_another_picture_is_not_taken() -> None:
    # As coarse as the standard allows: another picture to look at.
    assert tried(x264(qp="51"), (16, 16), RATE) == Refusal("what it gave is another picture")


@pytest.mark.parametrize(
    "coding",
    [
        # Both colours quantised sixteen times as coarsely as the luma (H.264, 7.3.2.1.1.1).
        x264(crf="24", **{"x264-params": f"cqm4ic={'255,' * 15}255:cqm4pc={'255,' * 15}255"}),
        # None of them coded: the standard's monochrome, which shows grey.
        Coding(SOFTWARE, "gray", {"preset": "ultrafast", "crf": "18"}, 1),
        # The same codes, to be shown as if they filled the whole range.
        Coding(SOFTWARE, "yuvj420p", {"preset": "ultrafast", "crf": "18"}, 1),
    ],
    ids=["coarse", "grey", "full range"],
)
def test_one_whose_colours_are_others_is_not_taken(coding: Coding) -> None:
    assert tried(coding, SIZE, RATE) == Refusal("what it gave is another picture")


# --- gone on with ---------------------------------------------------------------------------


class Card:
    """An encoder that is in use for so many tries; time goes by when somebody sleeps."""

    def __init__(self, busy: int, why: Refusal | None = None) -> None:
        self.left, self.why = busy, why or Refusal("out of memory", passes=True)
        self.slept_s, self.looks = 0.0, 0

    def __call__(self, coding: Coding, size: tuple[int, int], rate: Fraction) -> Refusal | None:
        if coding.encoder == SOFTWARE:
            return None
        self.left -= 1
        return self.why if self.left >= 0 else None

    def sleep(self, seconds: float) -> None:
        self.slept_s += seconds

    def look(self) -> None:
        self.looks += 1

    def there(self, coding: Coding) -> bool:
        codings = dict.fromkeys(SIZES, coding)
        return all_there(codings, SIZES, RATE, self.look, self.sleep, self)


def test_an_encoder_in_use_is_waited_for() -> None:
    card = Card(3)
    assert begun_with(begun(CARD), SIZES) == dict.fromkeys(SIZES, CARD)
    assert card.there(CARD)
    assert card.slept_s == sum(WAITS_S[:3])
    # What goes first may be done meanwhile, and the film be left.
    assert card.looks == 2 * card.slept_s


def test_one_that_is_gone_is_given_up_at_once_and_one_in_use_for_long_after_two_minutes(
    caplog: pytest.LogCaptureFixture,
) -> None:
    gone, busy = Card(99, Refusal("no driver")), Card(99)
    assert not gone.there(CARD)
    assert gone.slept_s == 0
    assert not busy.there(CARD)
    assert busy.slept_s == sum(WAITS_S) == 120
    assert "h264_nvenc, with which a film was begun, is not there any more" in caplog.text


def test_two_minutes_are_for_all_films_of_a_take() -> None:
    """The first shape's encoder comes after some, and then the other's does not."""
    tries = 0

    def try_out(coding: Coding, size: tuple[int, int], rate: Fraction) -> Refusal | None:
        nonlocal tries
        tries += 1
        return None if tries == 4 else Refusal("out of memory", passes=True)

    card = Card(0)
    codings = dict.fromkeys(SIZES, CARD)
    assert not all_there(codings, SIZES, RATE, card.look, card.sleep, try_out)
    assert card.slept_s == 120


def test_a_film_begun_by_software_goes_on_by_software() -> None:
    """Also where the machine's own encoder works by now, and with as many threads as it began."""
    kept = begun(software(3))
    assert begun_with(kept, SIZES) == dict.fromkeys(SIZES, software(3))
    assert begun_with(kept, SIZES, SOFTWARE) == dict.fromkeys(SIZES, software(3))
    assert begun_with(kept, SIZES, "h264_nvenc") is None
    assert Card(99).there(software(3))  # which is always there


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"wide": software(1).to_json()},
        {**begun(software(1)), "square": software(1).to_json()},
        begun(Coding("mpeg9")),
        begun(x264(crf="30")),
        {"wide": None, "tall": {}},
    ],
)
def test_what_was_begun_otherwise_or_not_at_all_is_chosen_anew(given: dict[str, Any]) -> None:
    assert begun_with(given, SIZES) is None
