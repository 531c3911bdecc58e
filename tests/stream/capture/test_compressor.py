"""The process that compresses frames ends quietly when nobody reads what it gives."""

from __future__ import annotations

import json
import random
import subprocess
import threading
from contextlib import suppress

from stream import own_process

ABOUT = {
    "format": "yuv420p",
    "stored": "yuv420p",
    "width": 320,
    "height": 240,
    "tags": {},
    "codecs": [["libx264", {"preset": "ultrafast", "qp": "4"}]],
}


def test_it_ends_without_a_word_when_its_reader_is_gone() -> None:
    process = own_process.begin(
        "stream.capture.compressor",
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
    )
    given, made, said = process.stdin, process.stdout, process.stderr
    assert given is not None
    assert made is not None
    assert said is not None
    noise = random.Random(4).randbytes(320 * 240 * 3 // 2)

    def feed() -> None:
        with suppress(BrokenPipeError):
            given.write(json.dumps(ABOUT).encode() + b"\n")
            for n in range(10_000):
                frame = memoryview((40_000 * n).to_bytes(8, "big") + noise)
                while frame:
                    frame = frame[given.write(frame) :]

    feeding = threading.Thread(target=feed, daemon=True)
    feeding.start()
    assert made.read(4) == b"\x1a\x45\xdf\xa3"  # EBML's first bytes (RFC 8794, 11.2.1)
    made.close()
    assert process.wait(120) == 0
    feeding.join(60)
    assert not feeding.is_alive()
    with suppress(OSError):
        given.close()
    assert said.read() == b""
    said.close()
