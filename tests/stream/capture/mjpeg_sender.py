"""A small camera on the network: JPEGs over HTTP, one multipart part each (RFC 2046).

Run as a program with the port (0: any) and the frames a second; prints the port that it listens on.
"""

from __future__ import annotations

import io
import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from PIL import Image

RED = (200, 30, 40)
SIZE = (64, 48)


def _picture() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", SIZE, RED).save(out, "JPEG", quality=95, subsampling=2)
    return out.getvalue()


class _Camera(BaseHTTPRequestHandler):
    rate = 25.0

    def do_GET(self) -> None:
        if self.path == "/once":  # a sender that ends cleanly after some frames
            self._send(5)
        elif self.path == "/page":
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<html><body>Not a camera</body></html>")
        elif self.path == "/live":
            self._send(None)
        else:
            self.send_error(404)

    def _send(self, count: int | None) -> None:
        picture = _picture()
        self.send_response(200)
        self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
        self.end_headers()
        sent = 0
        try:
            while count is None or sent < count:
                head = (
                    f"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {len(picture)}\r\n\r\n"
                )
                self.wfile.write(head.encode() + picture + b"\r\n")
                sent += 1
                time.sleep(1 / self.rate)
            self.wfile.write(b"--frame--\r\n")
        except OSError:  # the other side went away
            return

    def log_message(self, *_: object) -> None:
        """Say nothing."""


class _Server(ThreadingHTTPServer):
    allow_reuse_address = True
    daemon_threads = True


if __name__ == "__main__":
    _Camera.rate = float(sys.argv[2])
    server = _Server(("127.0.0.1", int(sys.argv[1])), _Camera)
    print(server.server_address[1], flush=True)
    server.serve_forever()
