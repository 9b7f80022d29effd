"""Noise and responses whose truth is known, made without any of the arithmetic that they check."""
