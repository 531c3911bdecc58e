"""OpenCV, always imported after PyAV.

Both wheels bring X libraries of their own. With OpenCV's in the process first, PyAV's grabbing of
the screen ends the program (measured: opencv-python 4.14, av 18.1).
"""

from __future__ import annotations

import av as _av
import cv2 as cv2

__all__ = ["cv2"]
_ = _av
