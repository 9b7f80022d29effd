"""What every reader of the numbers must know."""

CAUTIONS = (
    "Decision support for qualified people: it does not replace the judgement of a licensed "
    "practitioner, and the protocol in force locally outranks it.",
    "Suggested marks must be confirmed by a named clinician; one test is part of a battery.",
    "An exported average cannot show rejected sweeps, calibration, impedance or the baby's state.",
)
"""The usual cautions, printed with every result."""
