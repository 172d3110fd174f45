"""Benches: each module here prints its own figures and asserts nothing. ``python -m tests.bench`` runs all."""
