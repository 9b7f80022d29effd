"""Where a recording meets the arithmetic: evidence, final traces, tidy tables."""
