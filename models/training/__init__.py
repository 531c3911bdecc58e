"""How the weights in `models/weights` were made; rerunnable: `python -m models.training.matte`."""
