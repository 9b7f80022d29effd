"""The sections of the page as plain records; the template only lays them out."""

from collections.abc import Collection, Iterable, Sequence

from waveworks.grading import LevelGrade, Threshold, graded_levels_table
from waveworks.grading.threshold_table import words_of
from waveworks.loaders.session import Track
from waveworks.measures.final_traces import COMBINED
from waveworks.measures.level_views import level_progress
from waveworks.measures.levels import SWEEPS_ALIKE, LevelMeasures
from waveworks.measures.marks import MarkMeasure
from waveworks.measures.recordings import RecordingMeasures
from waveworks.measures.tables import rows_of
from waveworks.model import Condition
from waveworks.model.condition import UNMASKED
from waveworks.pipeline import Analysis
from waveworks.plots.marks import LEAST_SHARE
from waveworks.report.number_tables import level_lines, recording_tables, trace_rows
from waveworks.report.pictures import (
    buffer_pictures,
    level_pictures,
    series_pictures,
    trace_pictures,
)
from waveworks.report.records import ControlSection, LevelSection, SeriesSection


def series_sections(analysis: Analysis, *, track: Track = iter) -> tuple[SeriesSection, ...]:
    """Return a section an ear and stimulus.

    Parameters
    ----------
    analysis : Analysis
        What was measured.
    track : callable, optional
        Wraps the sequence of levels, to show progress.

    Returns
    -------
    tuple of SeriesSection
        In the order in which the session meets them.
    """
    groups: dict[Condition, list[LevelGrade]] = {}
    for one in analysis.graded:
        groups.setdefault(one.level.condition.series, []).append(one)
    for graded in groups.values():
        graded.sort(key=lambda one: _height(one.level.condition), reverse=True)
    sections: dict[Condition, list[LevelSection]] = {series: [] for series in groups}
    ids = {series: f"series-{number}" for number, series in enumerate(groups, start=1)}
    for one in track([one for graded in groups.values() for one in graded]):
        series = one.level.condition.series
        anchor = f"{ids[series]}-level-{len(sections[series]) + 1}"
        sections[series].append(_level_section(analysis, one, anchor))
    return tuple(
        SeriesSection(
            id=ids[series],
            title=str(series),
            ear=series.ear,
            thresholds=tuple(
                line
                for one in analysis.found_thresholds
                if one.series == series
                for line in _threshold_words(one)
            ),
            pictures=tuple(series_pictures([one.level for one in graded])),
            levels=tuple(sections[series]),
        )
        for series, graded in groups.items()
    )


def control_sections(analysis: Analysis) -> tuple[ControlSection, ...]:
    """Return a section a control.

    Parameters
    ----------
    analysis : Analysis
        What was measured.

    Returns
    -------
    tuple of ControlSection
        In the order of the session.
    """
    return tuple(
        ControlSection(
            title=one.recording.name,
            condition=str(one.recording.condition),
            recordings=recording_tables([one], analysis.session.unknown_columns),
            pictures=tuple(trace_pictures(one)),
            notes=(*one.faults, *one.notes),
        )
        for one in analysis.recordings
        if one.recording.kind == "control"
    )


def _height(condition: Condition) -> tuple[bool, float]:
    """Return a key that puts high levels last, and levels in dB nHL after those in dB eHL."""
    level = condition.level_db_nhl if condition.level_db_ehl is None else condition.level_db_ehl
    return condition.level_db_ehl is None, float("-inf") if level is None else level


def _level_section(analysis: Analysis, graded: LevelGrade, anchor: str) -> LevelSection:
    level = graded.level
    here = [
        one
        for one in analysis.recordings
        if one.recording.kind == "test" and one.recording.condition == level.condition
    ]
    row = rows_of(graded_levels_table([graded]))[0]
    progress = level_progress(level)
    pictures = [*level_pictures(level, progress, analysis.criteria)]
    drawn = () if level.combined is None else level.combined.members
    for one in here:
        # A stored average, a copy or a recording that does not fit the others is in no trace.
        alone = not any(one.recording is member for member in drawn)
        pictures += trace_pictures(one) if alone else buffer_pictures(one)
    return LevelSection(
        id=anchor,
        title=_title(level.condition),
        condition=str(level.condition),
        row=row,
        graded=graded,
        lines=tuple(level_lines(level, row, analysis.criteria)),
        traces=trace_rows(level),
        recordings=recording_tables(here, analysis.session.unknown_columns),
        pictures=tuple(pictures),
        notes=(
            *level.faults,
            *_level_notes(level),
            *_other_places(level),
            *(() if progress is None else progress.notes),
            *_recording_notes(here, level.notes),
        ),
    )


def _threshold_words(found: Threshold) -> Iterable[str]:
    """Say what the threshold is, how sure, and what is missing."""
    numbers = [
        f"{found.relation} {db:g} {unit}"
        for db, unit in ((found.threshold_db_nhl, "dB nHL"), (found.threshold_db_ehl, "dB eHL"))
        if db is not None
    ]
    standard = "gold standard met" if found.gold_standard else "gold standard not met"
    yield f"Threshold {', '.join(numbers)}; {standard}" if numbers else "No threshold"
    yield from words_of(found)


def _other_places(level: LevelMeasures) -> Iterable[str]:
    """Say where else wave V could be, and why it was not marked there."""
    for one in level.marks.get(COMBINED, MarkMeasure()).others:
        if one.lost and one.share >= LEAST_SHARE:
            share = f"{100 * one.share:.0f} % of the likelihood"
            yield f"wave V could be at {one.v_ms:.2f} ms, with {share}: {one.lost}"


def _level_notes(level: LevelMeasures) -> Iterable[str]:
    """Return the notes of a level; what counts all sweeps alike is told of the pictures too."""
    combined = level.combined
    weighted = combined is not None and combined.weighting == "inverse-variance"
    if combined is None or not weighted or len(combined.members) == 1:
        return level.notes
    alike = (
        "F, courses over sweeps and the spectrum count all sweeps alike; the combined trace, with "
        f"its residual noise of {combined.noise.rn_nv:.1f} nV, weighs by inverse variance"
    )
    return (*(note for note in level.notes if note != SWEEPS_ALIKE), alike)


def _recording_notes(measured: Sequence[RecordingMeasures], told: Collection[str]) -> Iterable[str]:
    """Return each note of some recordings once, with their names, unless it is told already."""
    names: dict[str, list[str]] = {}
    for one in measured:
        for note in (*one.faults, *one.notes):
            names.setdefault(note, []).append(one.recording.name)
    return (f"{', '.join(of)}: {note}" for note, of in names.items() if note not in told)


def _title(condition: Condition) -> str:
    words = condition.words()
    masking = "" if condition.masking_db == UNMASKED else words["masking"]
    return ", ".join(filter(None, (words["level"] or "no level", masking)))
