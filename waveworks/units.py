"""Voltage units of files, converted once on the way in and once on the way out.

Inside the package amplitude is nV, time ms, rate Hz and level dB nHL.
"""

from waveworks.errors import LoadError

NV_PER_UNIT = {"nV": 1.0, "uV": 1e3, "µV": 1e3, "μV": 1e3, "mV": 1e6, "V": 1e9}
"""Nanovolt in one unit; both Unicode spellings of micro are in use."""


def nv_per_unit(unit: str, *, where: str) -> float:
    """Return how many nanovolt one `unit` is.

    Parameters
    ----------
    unit : str
        ``nV``, ``uV`` (or ``µV``), ``mV`` or ``V``; upper and lower case matter.
    where : str
        The file and row to name in the error.

    Returns
    -------
    float
        Nanovolt per unit.

    Raises
    ------
    LoadError
        If the unit is empty or unknown.
    """
    if not unit:
        raise LoadError(f"{where}: unit is missing; give one of nV, uV, mV, V")
    try:
        return NV_PER_UNIT[unit]
    except KeyError:
        raise LoadError(f"{where}: unit is '{unit}'; it must be one of nV, uV, mV, V") from None
