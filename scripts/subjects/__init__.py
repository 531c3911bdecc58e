"""Renders random subjects for training, rich in what is hard to key.

`python -m scripts.subjects RENDER_FOLDER FIRST STEP COUNT OUT`, by a Python that has Blender as a
module (`renderer.py` names its packages). All lengths are metres, x to the subject's left, y away
from the camera, z up.
"""
