"""Data files in the plain CSV form: a time column, then a column a signal; every digit kept."""

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def write_data_csv(
    path: Path, labels: Sequence[str], values_nv: NDArray[np.float64], times_ms: NDArray[np.float64]
) -> None:
    """Write signals as CSV with samples in rows.

    Parameters
    ----------
    path : Path
        The file; it is overwritten.
    labels : sequence of str
        Names of the signals.
    values_nv : ndarray, shape (n_signals, n_samples)
        Amplitude in nV.
    times_ms : ndarray, shape (n_samples,)
        Time of every sample in ms.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time_ms", *labels])
        # Python writes the shortest text that reads back as the same number.
        writer.writerows(np.column_stack([times_ms, values_nv.T]).tolist())
