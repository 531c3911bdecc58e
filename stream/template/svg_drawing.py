"""Draw one SVG to a PNG, as a process of its own, so that a drawing made to harm can be ended.

Standard input: a line of JSON (width, height, fonts, memory, seconds), then the SVG. Standard
output: the PNG. Run by its path; it imports nothing of the program, so that it starts at once.
"""

from __future__ import annotations

import json
import sys


def main() -> int:
    line = sys.stdin.buffer.readline()
    wish = json.loads(line)
    if sys.platform != "win32":
        import resource

        for kind, most in (
            (resource.RLIMIT_AS, wish["memory"]),
            (resource.RLIMIT_CPU, wish["seconds"]),
            (resource.RLIMIT_CORE, 0),
        ):
            hard = resource.getrlimit(kind)[1]
            most = most if hard == resource.RLIM_INFINITY else min(most, hard)
            resource.setrlimit(kind, (most, most))
    import resvg_py

    try:
        png = resvg_py.svg_to_bytes(
            svg_string=sys.stdin.buffer.read().decode("utf-8"),
            width=wish["width"],
            height=wish["height"],
            dpi=96,  # CSS: an inch is 96 pixels
            skip_system_fonts=True,
            font_files=wish["fonts"],
            font_family="DejaVu Sans",
            serif_family="DejaVu Sans",
            sans_serif_family="DejaVu Sans",
        )
    except ValueError as e:
        print(e, file=sys.stderr)
        return 1
    sys.stdout.buffer.write(png)
    return 0


if __name__ == "__main__":
    sys.exit(main())
