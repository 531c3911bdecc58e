"""Greetings: from a take, a template and music to a film."""
