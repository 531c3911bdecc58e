"""Decoding on a graphics card: its decoder, and its frames as planes that stay on the card.

The standards of H.264, HEVC, VP8 and VP9 (ITU-T H.264 and H.265; RFC 6386; the VP9 bitstream
specification) fix every code value, so that any decoder of theirs gives the same planes. Those of
JPEG and MPEG-2 leave the rounding of the inverse transform open: these are decoded in software.
"""

from __future__ import annotations

import av
import torch
from av.codec.context import CodecContext, Flags
from av.codec.hwaccel import HWAccel
from av.video.codeccontext import VideoCodecContext
from torch import Tensor
from torch.utils.dlpack import from_dlpack

from models.color import Planes

_EXACT = {"h264", "hevc", "vp8", "vp9"}
_LAYOUTS = {"yuv420p", "yuvj420p", "yuv420p10le"}
# What the card's decoder writes for them: luma, then both chroma planes sample by sample in turn;
# 10 bit in the upper bits of 16.
_WRITTEN = {"nv12": 0, "p010le": 6}
# Asked for the card's primary context by itself, the media library refuses one that torch has
# opened, since it wants other flags of it; it takes the same one as that of the thread at work.
_THREADS_CONTEXT = {"primary_ctx": "0", "current_ctx": "1"}
_TAGS = ("color_range", "color_primaries", "color_trc", "colorspace")


class CardError(RuntimeError):
    """The card does not decode this as software would."""


def on_card(frame: av.VideoFrame) -> bool:
    """Whether a decoded frame lies on a graphics card."""
    return frame.format.name == "cuda"


def pixel_of(frame: av.VideoFrame) -> av.VideoFormat:
    """The pixel format of a decoded frame, wherever it lies."""
    pixel = frame.sw_format if on_card(frame) else None
    return frame.format if pixel is None else pixel


def _context(codec: str, index: int) -> VideoCodecContext:
    """A decoder in torch's own context on a card, so that its frames are torch's as well."""
    options: dict[str, object] = dict(_THREADS_CONTEXT)
    card = HWAccel(
        "cuda", str(index), allow_software_fallback=False, options=options, is_hw_owned=True
    )
    with torch.cuda.device(index):
        # Only work on the card makes its context this thread's: memory that is merely taken may
        # come from torch's own store (seen: decoders then fail with their first packet).
        torch.zeros(1, device="cuda").cpu()
        context = CodecContext.create(codec, "r", card)
    if not isinstance(context, VideoCodecContext) or not context.is_hwaccel:
        raise CardError(f"no decoder for {codec}")
    return context


class CardDecoder:
    """Decodes the packets of one stream on a graphics card."""

    def __init__(self, software: VideoCodecContext, device: str) -> None:
        """Prepare the decoder; the card refuses what it cannot with the first packet.

        Args:
            software: the decoder that the container made, told all that the container says.
            device: name of the card, such as "cuda" or "cuda:1".

        Raises:
            CardError: this is decoded in software.
            av.error.FFmpegError: there is no driver for the card's decoder.
            RuntimeError, AssertionError: torch has no card, or was built without.
        """
        if not self.offered(software):
            raise CardError(f"{software.name} {software.pix_fmt}")
        context = _context(software.name, torch.device(device).index or 0)
        context.thread_count = 1
        context.flags |= Flags.copy_opaque  # frames say of which packet they are
        context.extradata = software.extradata
        context.reorder_depth = software.reorder_depth
        for tag in _TAGS:
            setattr(context, tag, getattr(software, tag))
        self._context = context

    @staticmethod
    def offered(software: VideoCodecContext) -> bool:
        """Whether a card may decode this: exact by its standard, in a layout that it can write."""
        even = software.width % 2 == 0 and software.height % 2 == 0
        return software.name in _EXACT and software.pix_fmt in _LAYOUTS and even

    @property
    def extradata(self) -> bytes | None:
        """The parameter sets that it was made with."""
        return self._context.extradata

    def decode(self, packet: av.Packet[av.VideoStream]) -> list[av.VideoFrame]:
        """Frames on the card.

        Raises:
            CardError: they are not what software would give.
            av.error.FFmpegError: the card refused, or the packet is damaged.
        """
        frames = self._context.decode(packet)
        for frame in frames:
            pixel = frame.sw_format.name if on_card(frame) and frame.sw_format else "none"
            size, whole = (frame.width, frame.height), (self._context.width, self._context.height)
            # A picture cut off at its left or top comes uncut; chroma of odd sizes lacks a sample.
            if pixel not in _WRITTEN or size != whole or size[0] % 2 or size[1] % 2:
                raise CardError(f"{pixel} of {size[0]} x {size[1]}")
        return frames

    def again(self) -> None:
        """Forget what came before: another packet than the next follows."""
        self._context.flush_buffers()


def semi_planar(frame: av.VideoFrame) -> Planes:
    """Planes of a frame whose chroma samples lie in turn, in memory of their own where it lies.

    Args:
        frame: nv12 or p010le, on a graphics card or in main memory.

    Returns:
        Y', Cb, Cr (H, W), uint8 at 8 bit, int32 deeper; both chroma planes are views of one tensor.
        On a card they may be still under way: see `settled`.
    """
    luma, chroma = (from_dlpack(p.__dlpack__(stream=None)) for p in frame.planes)
    shift = _WRITTEN[pixel_of(frame).name]
    if shift:
        luma = luma.to(torch.int32).bitwise_right_shift_(shift)
        chroma = chroma.to(torch.int32).bitwise_right_shift_(shift)
        return luma, chroma[..., 0], chroma[..., 1]
    height, width = luma.shape
    own = luma.new_empty((height + height // 2, width))
    own[:height].copy_(luma)
    pair = own[height:].view(height // 2, width // 2, 2)
    pair.copy_(chroma)
    return own[:height], pair[..., 0], pair[..., 1]


def settled(planes: Planes) -> Planes:
    """Wait until planes on a card hold what they are to hold; the thread sleeps meanwhile."""
    first: Tensor = planes[0]
    if first.is_cuda:
        done = torch.cuda.Event(blocking=True)  # type: ignore[no-untyped-call]
        done.record(torch.cuda.current_stream(first.device))
        done.synchronize()
    return planes
