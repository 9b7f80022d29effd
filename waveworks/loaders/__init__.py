"""Readers: files in, frozen records out; the only place where units are converted on the way in."""
