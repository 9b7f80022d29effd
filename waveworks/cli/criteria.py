"""`waveworks criteria`: a set of criteria in words."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from waveworks.cli.options import existing_file

if TYPE_CHECKING:
    from collections.abc import Iterator

    from waveworks.criteria import Clause, Criteria
    from waveworks.criteria.model import Discharge, EhlOffset, ThresholdRule

_TITLES = {
    "CR": "A clear response (CR) needs",
    "one-trace CR": "A clear response from one trace, above a replicated one, needs",
    "RA": "A response is absent (RA) where",
    "": "Drawn and shown, but deciding nothing",
}


@click.command()
@click.argument("file", type=existing_file, required=False)
def criteria(file: Path | None) -> None:
    """Print a set of criteria in words.

    FILE is a criteria file (TOML); without it, the shipped example.
    """
    from waveworks.criteria import default_criteria, read_criteria
    from waveworks.pipeline.cautions import CAUTIONS

    found = default_criteria() if file is None else read_criteria(file)
    click.echo("\n".join((*_words(found), "", *CAUTIONS)))


def _words(criteria: "Criteria") -> "Iterator[str]":
    version = f", version {criteria.version}" if criteria.version else ""
    yield f"{criteria.name}{version}"
    yield f"SHA-256 {criteria.sha256}"
    for grade, title in _TITLES.items():
        clauses = [
            one for one in criteria.clauses if grade in one.grades or not (grade or one.grades)
        ]
        if clauses:
            yield ""
            yield f"{title}:"
        for one in clauses:
            where = f", {one.scope}" if one.scope == "each trace" else ""
            doubt = "" if one.needed else ", where it can be evaluated"
            yield f"  {one.id}: {one.quantity} {one}{where}{doubt}"
            yield f"    {one.meaning}"
            yield f"    {_rests_on(one)}"
    yield ""
    yield "Anything else is inconclusive (Inc)."
    yield ""
    yield from _threshold_words(criteria)


def _threshold_words(criteria: "Criteria") -> "Iterator[str]":
    step = criteria.threshold
    yield (
        "The threshold is the lowest CR from two traces; its gold standard "
        f"a CR {step.step_db:g} dB above and an RA {step.step_db:g} dB below"
    )
    yield f"    {_rests_on(step)}"
    for one in criteria.discharge:
        yield f"  no RA below is needed at {one.level_db_ehl:g} dB eHL or lower: {_case(one)}"
        yield f"    {_rests_on(one)}"
    for row in criteria.ehl_offsets:
        first, last = row.age_weeks
        sd = "" if row.prediction_sd_db is None else f", SD {row.prediction_sd_db:g} dB"
        yield (
            f"  dB eHL is dB nHL {row.offset_db:+g} dB{sd}: {_case(row)}, corrected age "
            f"{first:g} to below {last:g} weeks"
        )
        yield f"    {_rests_on(row)}"


def _case(row: "Discharge | EhlOffset") -> str:
    frequency = "" if row.frequency_hz is None else f" {row.frequency_hz:g} Hz"
    return f"{row.stimulus}{frequency}, {row.transducer}"


def _rests_on(one: "Clause | ThresholdRule | Discharge | EhlOffset") -> str:
    return f"{one.status}{': ' + one.source if one.source else ''}"
