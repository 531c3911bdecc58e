"""How many of the frame's own pixels an inch of print gets, and what to say of it."""

from __future__ import annotations

# *Common practice*: below this a photograph in the hand looks soft.
SOFT_BELOW_PPI = 150


def effective_ppi(ppi: float, scale: float) -> float:
    """Frame pixels an inch of print.

    Args:
        ppi: picture pixels an inch.
        scale: picture pixels a frame pixel, as `Placement.scale`.
    """
    return ppi / scale


def enlargement_note(ppi: float, scale: float) -> str | None:
    """A sentence when the print enlarges the frame, else None."""
    # A hair over 1 comes of rounding sizes and is nothing to look at.
    if scale < 1.02:
        return None
    real = effective_ppi(ppi, scale)
    if real < SOFT_BELOW_PPI:
        return (
            f"the print enlarges this frame {scale:.1f} times to {real:.0f} real pixels an inch, "
            f"below the usual {SOFT_BELOW_PPI}: it will look soft; use a tethered still, a larger "
            "video format or a smaller print"
        )
    return (
        f"the print enlarges this frame {scale:.1f} times, to {real:.0f} real pixels an inch "
        f"instead of {ppi:.0f}"
    )
