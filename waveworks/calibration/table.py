"""Experiments as a tidy table; its columns are promises."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from waveworks.calibration.experiment import Cell, Experiment
from waveworks.dsp.detectors import HELD

CALIBRATION_COLUMNS = (
    "noise",
    "test",
    "amplitude_nv",
    "alpha",
    "looks",
    "n_runs",
    "detected",
    "rate",
    "rate_low",
    "rate_high",
    "median_sweeps",
    "seed",
)


def calibration_table(experiment: Experiment, cells: Sequence[Cell]) -> pd.DataFrame:
    """Return a row a noise, amplitude and test.

    Parameters
    ----------
    experiment : Experiment
        That was run.
    cells : sequence of Cell
        What came out.

    Returns
    -------
    pandas.DataFrame
        With `CALIBRATION_COLUMNS`: rate with its exact 95 % binomial interval (Clopper and Pearson
        1934, from memory), and the median of the sweeps needed over all recordings, NaN where
        half or more were never found. A test that could not be made has 0 runs and no rate.
    """
    rows = [_row(experiment, cell) for cell in cells]
    return pd.DataFrame(rows, columns=list(CALIBRATION_COLUMNS), dtype=object)


def off_nominal(experiment: Experiment, cells: Sequence[Cell]) -> tuple[str, ...]:
    """Say where a test does not hold its rate of false positives.

    Parameters
    ----------
    experiment : Experiment
        That was run.
    cells : sequence of Cell
        What came out.

    Returns
    -------
    tuple of str
        One line for each noise and test whose whole interval lies outside 0.8 to 1.2 of alpha.
    """
    least, most = HELD
    lines = []
    for cell in cells:
        if cell.amplitude_nv or cell.fault:
            continue
        row = _row(experiment, cell)
        if row["rate_low"] > most * experiment.alpha:
            said = "more often than stated: do not use it on this noise"
        elif row["rate_high"] < least * experiment.alpha:
            said = "less often than stated: power is lost on this noise"
        else:
            continue
        lines.append(
            f"{cell.test} on {cell.noise} finds noise in {row['rate']:.3g} at a nominal "
            f"{experiment.alpha:g}, {said}"
        )
    return tuple(lines)


def not_made(cells: Sequence[Cell]) -> tuple[str, ...]:
    """Say which tests could not be made, and why.

    Parameters
    ----------
    cells : sequence of Cell
        What came out.

    Returns
    -------
    tuple of str
        One line for each noise and test.
    """
    return tuple(dict.fromkeys(f"no test: {cell.fault}" for cell in cells if cell.fault))


def _row(experiment: Experiment, cell: Cell) -> dict[str, Any]:
    n_runs, detected = len(cell.found), int(np.sum(cell.found >= 0))
    rate, low, high, median = (math.nan,) * 4
    looks = np.array(experiment.looks, dtype=np.float64)
    if n_runs:
        rate = detected / n_runs
        interval = stats.binomtest(detected, n_runs).proportion_ci(0.95, method="exact")
        low, high = float(interval.low), float(interval.high)
        median = float(np.median(np.where(cell.found >= 0, looks[cell.found], np.inf)))
    return {
        "noise": cell.noise,
        "test": cell.test,
        "amplitude_nv": cell.amplitude_nv,
        "alpha": experiment.alpha,
        "looks": len(looks),
        "n_runs": n_runs,
        "detected": detected,
        "rate": rate,
        "rate_low": low,
        "rate_high": high,
        "median_sweeps": median if math.isfinite(median) else math.nan,
        "seed": experiment.seed,
    }
