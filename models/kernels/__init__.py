"""The live grade fused for one kind of device; plain torch in `models` stays the reference."""
