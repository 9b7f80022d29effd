"""What every reader of the numbers must know."""

CAUTIONS = (
    "Decision support for qualified people: it does not replace the judgement of a licensed "
    "practitioner, and the protocol in force locally outranks it.",
    "Suggested marks must be confirmed by a named clinician; one test is part of a battery.",
    "An exported average cannot show rejected sweeps, calibration, impedance or the baby's state.",
)
"""The usual cautions, printed with every result."""

CANNOT_SHOW = (
    "Sweeps that were rejected, and why: noise and response are those of what was left.",
    "Calibration of the stimulus and the fit of the earphone or bone vibrator.",
    "Electrode impedance during the run, and electrodes on the wrong side.",
    "The baby's state: sleep, movement, feeding, position of the eyes and head.",
    "Whether a trace was filtered, smoothed, shifted or scaled after it was averaged.",
    "The ear that answered: cross-hearing is not visible in a trace.",
)
"""What no analysis of exported averages can see."""
