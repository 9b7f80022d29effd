"""The page: what the template lays out, and nothing else."""

import datetime

from jinja2 import Environment, PackageLoader, StrictUndefined

from waveworks.loaders.session import Track
from waveworks.measures.checks import notes_of
from waveworks.measures.definitions import DEFINITIONS
from waveworks.pipeline import Analysis
from waveworks.pipeline.cautions import CANNOT_SHOW, CAUTIONS
from waveworks.pipeline.provenance import versions
from waveworks.report.quantities import SUMMARY_QUANTITIES, TRACE_QUANTITIES, shown
from waveworks.report.sections import control_sections, series_sections
from waveworks.report.words import anchor, printable, window_words


def report_html(analysis: Analysis, *, made_on: datetime.date, track: Track = iter) -> str:
    """Return the report as one self-contained page.

    Parameters
    ----------
    analysis : Analysis
        What was measured.
    made_on : datetime.date
        The date on the page; the same input gives the same page but for it.
    track : callable, optional
        Wraps the sequence of levels, to show progress.

    Returns
    -------
    str
        HTML without scripts; pictures are data URIs.
    """
    environment = Environment(
        loader=PackageLoader("waveworks.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"anchor": anchor, "printable": printable, "shown": shown}
    session = analysis.session
    return environment.get_template("report.html.j2").render(
        analysis=analysis,
        info=session.info,
        made_on=made_on.isoformat(),
        cautions=CAUTIONS,
        cannot_show=CANNOT_SHOW,
        columns=len(SUMMARY_QUANTITIES) + sum(bool(q.pvalue) for q in SUMMARY_QUANTITIES) + 3,
        controls=control_sections(analysis),
        criteria=analysis.criteria,
        definitions=DEFINITIONS,
        n_tests=sum(recording.kind == "test" for recording in session.recordings),
        notes=notes_of(session),
        series=series_sections(analysis, track=track),
        settings=analysis.settings,
        summary=SUMMARY_QUANTITIES,
        trace_limits=[one for one in analysis.criteria.clauses if one.scope == "each trace"],
        traces=TRACE_QUANTITIES,
        versions=versions(),
        window_words=window_words,
    )
