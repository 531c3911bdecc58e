"""Pictures out: finished pixels become the files that are printed and handed on."""
