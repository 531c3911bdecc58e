"""A small RTSP camera: H.264 in RTP over the RTSP connection itself.

Sources: RFC 2326 (RTSP 1.0; interleaved data, section 10.12), RFC 3550 (RTP), RFC 6184 (H.264 in
single NAL unit packets), RFC 4566 (SDP).
"""

from __future__ import annotations

import re
import socket
import struct
import threading
import time
from pathlib import Path

_START_CODE = re.compile(rb"\x00\x00\x00?\x01")
_SDP = (
    "v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=stage\r\nc=IN IP4 0.0.0.0\r\nt=0 0\r\n"
    "m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=fmtp:96 packetization-mode=1\r\n"
    "a=control:track\r\n"
)


def nal_units(annex_b: bytes) -> list[bytes]:
    """The units of a raw H.264 file."""
    return [unit for unit in _START_CODE.split(annex_b) if unit]


class RtspSender:
    """Serves one client after another; `pause` makes it silent, `stop` closes every connection."""

    def __init__(self, raw_h264: Path) -> None:
        self._units = nal_units(raw_h264.read_bytes())
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.paused = threading.Event()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._stopped.is_set():
            try:
                peer, _ = self._listener.accept()
            except OSError:
                return
            with peer:
                try:
                    if self._converse(peer):
                        self._play(peer)
                except OSError:  # the client went away
                    continue

    def _converse(self, peer: socket.socket) -> bool:
        """Answer requests until PLAY."""
        waiting = b""
        while True:
            while b"\r\n\r\n" not in waiting:
                data = peer.recv(4096)
                if not data:
                    return False
                waiting += data
            head, _, waiting = waiting.partition(b"\r\n\r\n")
            text = head.decode()
            method = text.split(" ", 1)[0]
            number = re.search(r"CSeq: *(\d+)", text)
            assert number is not None
            extra, body = "Session: 1\r\n", ""
            if method == "OPTIONS":
                extra = "Public: OPTIONS, DESCRIBE, SETUP, PLAY, TEARDOWN\r\n"
            elif method == "DESCRIBE":
                body = _SDP
                extra = f"Content-Type: application/sdp\r\nContent-Length: {len(body)}\r\n"
            elif method == "SETUP":
                extra += "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n"
            answer = f"RTSP/1.0 200 OK\r\nCSeq: {number[1]}\r\n{extra}\r\n{body}"
            peer.sendall(answer.encode())
            if method == "PLAY":
                return True

    def _play(self, peer: socket.socket) -> None:
        sequence, stamp = 0, 0
        while not self._stopped.is_set():
            for unit in self._units:
                if self._stopped.is_set():
                    return
                while self.paused.is_set() and not self._stopped.is_set():
                    time.sleep(0.01)
                picture = unit[0] & 31 in (1, 5)  # a slice: the end of its picture here
                head = struct.pack(">BBHII", 0x80, 96 | picture << 7, sequence & 65535, stamp, 7)
                packet = head + unit
                peer.sendall(b"$\0" + struct.pack(">H", len(packet)) + packet)
                sequence += 1
                if picture:
                    stamp += 3600  # 25 a second
                    time.sleep(0.01)

    def stop(self) -> None:
        """Close; nobody answers at the port afterwards."""
        self._stopped.set()
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(5)
