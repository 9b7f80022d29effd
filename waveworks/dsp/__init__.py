"""Arithmetic on plain arrays: nV in, frozen result out; the last axis is time.

The caller has cut the window. Nothing here has heard of files, sessions or plots.
"""
