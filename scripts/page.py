"""A page without a browser: takes each picture over the socket and says that it was drawn.

python -m scripts.page PORT TOKEN
"""

from __future__ import annotations

import json
import sys

from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect
from websockets.typing import Origin


def watch(port: int, token: str) -> None:
    """Take pictures until the program says goodbye."""
    address = f"127.0.0.1:{port}"
    with connect(
        f"ws://{address}/stream?token={token}",
        origin=Origin(f"http://{address}"),
        max_size=None,
        proxy=None,
    ) as socket:
        try:
            while True:
                message = socket.recv()
                if isinstance(message, bytes):
                    socket.send(json.dumps({"drawn": int.from_bytes(message[:8], "big")}))
        except ConnectionClosed:
            return


if __name__ == "__main__":
    watch(int(sys.argv[1]), sys.argv[2])
