"""Network streams: from a URL to what the media library opens, never without a time limit."""

from __future__ import annotations

from urllib.parse import urlsplit

from stream.capture.container import Target
from stream.capture.errors import SourceError

# chosen: above the pause of a slow sender, and low enough to connect anew soon. The watchdog says
# so earlier; this ends the read itself.
_READ_TIMEOUT_S = 4.0
_OPEN_TIMEOUT_S = 8.0
# chosen: tells an MPEG transport stream's codec; the library's own 5 s would be waited out by one
# that carries no sound.
_LOOK_AT_US = 1_000_000

SCHEMES = ("http", "https", "rtsp", "rtsps", "udp", "tcp")


def label_of(url: str) -> str:
    """The URL for people and logs: without user name, password and query."""
    parts = urlsplit(url)
    try:
        port = f":{parts.port}" if parts.port is not None else ""
    except ValueError as e:
        raise SourceError(f"{parts.scheme}: the address has no usable port ({e})") from e
    host = f"[{parts.hostname}]" if ":" in (parts.hostname or "") else parts.hostname or ""
    return f"{parts.scheme}://{host}{port}{parts.path}"


def network_target(url: str) -> Target:
    """What to open for a URL.

    Raises:
        SourceError: a kind of address that cannot be read, or no host in it.
    """
    scheme = urlsplit(url).scheme.lower()
    if scheme not in SCHEMES:
        raise SourceError(
            f"{scheme}://: this kind of address cannot be read; need {', '.join(SCHEMES)}"
        )
    label = label_of(url)
    if not urlsplit(url).hostname and scheme != "udp":
        raise SourceError(f"{url}: names no host; need an address such as {scheme}://HOST/PATH")
    if scheme in ("udp", "tcp") and urlsplit(url).port is None:
        raise SourceError(f"{label}: names no port; need an address such as {scheme}://HOST:5000")
    limit = str(round(_READ_TIMEOUT_S * 1_000_000))
    options = {"fflags": "nobuffer", "analyzeduration": str(_LOOK_AT_US)}
    container_format = None
    if scheme in ("http", "https"):
        options |= {"rw_timeout": limit, "timeout": limit}
    elif scheme in ("rtsp", "rtsps"):
        options |= {"timeout": limit, "rtsp_flags": "prefer_tcp"}
    else:
        container_format = "mpegts"
        options |= {"timeout": limit, "rw_timeout": limit}
        if scheme == "udp":  # a burst that overruns the buffer costs frames, not the stream
            options |= {"overrun_nonfatal": "1"}
    return Target(
        url,
        label,
        container_format,
        options,
        open_timeout_s=_OPEN_TIMEOUT_S,
        read_timeout_s=_READ_TIMEOUT_S,
    )
