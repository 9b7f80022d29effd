"""The criteria as frozen records."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Clause:
    """One limit.

    Parameters
    ----------
    id : str
        Short name, unique in its set.
    quantity : str
        The output column that it limits.
    scope : {'each trace', 'combined'}
        Whether each final trace must meet it, or the combined trace.
    operator : {'<=', '>='}
        What the quantity must be against the value.
    value : float
        The limit.
    unit : str
        Of the value; empty for a pure number.
    meaning : str
        One line.
    source : str
        What the value rests on; empty where it has none.
    status : str
        How well it is known: 'published in ...', 'common practice, no source', 'from memory' or
        'own choice'.
    """

    id: str
    quantity: str
    scope: str
    operator: str
    value: float
    unit: str
    meaning: str
    source: str
    status: str

    def __str__(self) -> str:
        return f"{self.operator} {self.value:g} {self.unit}".rstrip()


@dataclass(frozen=True)
class Criteria:
    """A set of limits.

    Parameters
    ----------
    name, version : str
        What the file calls itself.
    sha256 : str
        Of the file's bytes.
    clauses : tuple of Clause
        In the order of the file.
    """

    name: str
    version: str
    sha256: str
    clauses: tuple[Clause, ...]

    def of(self, quantity: str, scope: str) -> tuple[Clause, ...]:
        """Return the limits of one quantity.

        Parameters
        ----------
        quantity : str
            An output column.
        scope : {'each trace', 'combined'}
            Of which trace.

        Returns
        -------
        tuple of Clause
            In the order of the file; empty where the set does not limit it.
        """
        return tuple(one for one in self.clauses if (one.quantity, one.scope) == (quantity, scope))
