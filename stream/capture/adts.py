"""AAC as transport streams and some cameras send it, each packet with a header, made bare.

Sources: ISO/IEC 14496-3, 1.A.3.2 (the header of an ADTS frame) and 1.6.2.1 (AudioSpecificConfig,
which a container keeps once in place of the headers).
"""

from __future__ import annotations

from av.audio.stream import AudioStream

_RATES = (96000, 88200, 64000, 48000, 44100, 32000, 24000, 22050, 16000, 12000, 11025, 8000, 7350)
_LOW_COMPLEXITY = 2
_MOST_CHANNELS = 6  # of seven, eight channels come


def config_of(stream: AudioStream) -> bytes | None:
    """The configuration of an AAC stream that has none of its own; None for any other stream."""
    context = stream.codec_context
    if context.name != "aac" or context.extradata or context.profile != "LC":
        return None
    if context.sample_rate not in _RATES or not 1 <= context.channels <= _MOST_CHANNELS:
        return None
    rate = _RATES.index(context.sample_rate)
    bits = _LOW_COMPLEXITY << 11 | rate << 7 | context.channels << 3
    return bits.to_bytes(2, "big")


def bare(data: bytes) -> bytes:
    """A packet without its header, where it has one."""
    # Twelve ones and a layer of 0 begin it; a checksum follows unless the last bit says not.
    if len(data) < 7 or data[0] != 0xFF or data[1] & 0xF6 != 0xF0:
        return data
    return data[7 if data[1] & 1 else 9 :]
