"""Mirrors stream/prints."""
