"""How the weights in `models/weights` are made; rerunnable: `matte.py` and `refining.py`."""
