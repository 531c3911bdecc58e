"""The live loop: capture, key, composite and show, decoupled so that nothing waits for anything."""
