"""Level series worked by hand from the rules of thresholds, written before the code.

Rules (common practice, no source, unless said otherwise). The threshold is the lowest replicated
CR. Gold standard: that CR, a CR one step (10 dB) above and an RA one step below; no RA is needed
where the threshold is at the discharge level (4 kHz narrow-band chirp, insert: 30 dB eHL) or
lower. The eHL of that stimulus in a young infant is nHL + 5. A CR from one trace is allowed above
the threshold only. Low noise but a gap too wide is Inc, and a gold standard is then not met.
Own choices, said where they decide: a level that is less than a step away serves as well as one a
whole step away; a CR one step above is not excused at the highest level tested; masked and unmasked
levels share a series, and at one level the one with the most masking counts.

In a series, `55 CR` is a level and its grade, `CR1` a CR from one trace, `-` a level without a
trace; `45/60 RA` was recorded with 60 dB of masking, `45/none RA` was unmasked.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from waveworks.criteria import default_criteria
from waveworks.criteria.model import ThresholdRule
from waveworks.grading import LevelGrade, grade_levels
from waveworks.grading.thresholds import find_thresholds
from waveworks.measures.levels import LevelMeasures, measure_levels
from waveworks.model import (
    Average,
    Buffers,
    ClinicianMarks,
    Condition,
    Counts,
    Recording,
    Session,
    SessionInfo,
    Sweeps,
    TimeAxis,
)
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_average, simulate_noise
from waveworks.simulate.response import response, true_sn10_ms, true_v_ms

CRITERIA = default_criteria()
CHIRP = Condition("right", "insert", "narrowband-chirp", 4000.0)


def levels_of(text, series=CHIRP, scale="level_db_nhl"):
    """Return the graded levels that a line of the tables below stands for."""
    graded = []
    for part in text.split(", "):
        where, grade = part.split()
        level, _, masking = where.partition("/")
        masking_db = masking if masking in ("", "none") else float(masking)
        condition = replace(series, **{scale: float(level)}, masking_db=masking_db or None)
        measured = LevelMeasures(condition=condition, recordings=())
        one_trace = grade == "CR1"
        grade = {"CR1": "CR", "-": ""}.get(grade, grade)
        graded.append(LevelGrade(measured, grade, one_trace=one_trace))
    return graded


@dataclass(frozen=True)
class Worked:
    """A series in grades, and what follows from it by hand; each phrase of `missing` by itself."""

    name: str
    series: str
    relation: str
    nhl: float | None
    ehl: float | None
    gold: bool
    missing: tuple[str, ...]
    why: str


WORKED = (
    Worked(
        "gold standard",
        "55 CR, 45 CR, 35 RA",
        *("=", 45, 50, True, ()),
        why="CR at 45, CR one step above, RA one step below; 45 + 5 = 50",
    ),
    Worked(
        "discharge",
        "35 CR, 25 CR",
        *("<=", 25, 30, True, ()),
        why="25 nHL is 30 eHL, the discharge level: no RA is needed below it",
    ),
    Worked(
        "below the discharge level",
        "25 CR, 15 CR",
        *("<=", 15, 20, True, ()),
        why="20 eHL is lower than the discharge level; CR one step above at 25",
    ),
    Worked(
        "discharge with Inc below",
        "35 CR, 25 CR, 15 Inc",
        *("<=", 25, 30, True, ()),
        why="what was tried below the discharge level is not asked for",
    ),
    Worked(
        "discharge with RA below",
        "35 CR, 25 CR, 15 RA",
        *("=", 25, 30, True, ()),
        why="an RA one step below makes the relation exact at any level",
    ),
    Worked(
        "discharge from one level",
        "25 CR",
        *("<=", 25, 30, False, ("CR one step above: 35 dB nHL not tested",)),
        why="the discharge level spares the RA below, not the CR above",
    ),
    Worked(
        "one step above the discharge level",
        "45 CR, 35 CR",
        *("<=", 35, 40, False, ("RA one step below: 25 dB nHL not tested",)),
        why="40 eHL is above 30: the RA is needed, at the discharge level itself",
    ),
    Worked(
        "half a step above the discharge level",
        "40 CR, 30 CR",
        *("<=", 30, 35, False, ("RA one step below: 20 dB nHL not tested",)),
        why="35 eHL is above 30, so nothing is spared",
    ),
    Worked(
        "Inc one step below",
        "55 CR, 45 CR, 35 Inc",
        *("<=", 45, 50, False, ("RA one step below: 35 dB nHL is Inc",)),
        why="Inc is no RA: the threshold may be lower",
    ),
    Worked(
        "RA missing below",
        "65 CR, 55 CR",
        *("<=", 55, 60, False, ("RA one step below: 45 dB nHL not tested",)),
        why="the lowest level tested is a CR: the true threshold lies beyond the series",
    ),
    Worked(
        "a level skipped below",
        "65 CR, 55 CR, 35 RA",
        *("<=", 55, 60, False, ("RA one step below: 45 dB nHL not tested",)),
        why="the RA is two steps below",
    ),
    Worked(
        "a level skipped above",
        "65 CR, 45 CR, 35 RA",
        *("=", 45, 50, False, ("CR one step above: 55 dB nHL not tested",)),
        why="the CR above is two steps away",
    ),
    Worked(
        "threshold at the highest level tested",
        "80 CR, 70 RA",
        *("=", 80, 85, False, ("CR one step above: 90 dB nHL not tested",)),
        why="nothing in the rules excuses the CR above; own choice to read them so",
    ),
    Worked(
        "both neighbours missing",
        "50 CR",
        "<=",
        50,
        55,
        False,
        ("CR one step above: 60 dB nHL not tested", "RA one step below: 40 dB nHL not tested"),
        why="each missing part is named",
    ),
    Worked(
        "CR below Inc",
        "55 CR, 45 Inc, 35 CR, 25 RA",
        "=",
        35,
        40,
        False,
        ("CR one step above: 45 dB nHL is Inc", "Inc at 45 dB nHL above the CR at 35 dB nHL"),
        why="the number stays, the contradiction is named",
    ),
    Worked(
        "CR below RA",
        "55 CR, 45 RA, 35 CR, 25 RA",
        "=",
        35,
        40,
        False,
        ("CR one step above: 45 dB nHL is RA", "RA at 45 dB nHL above the CR at 35 dB nHL"),
        why="the number stays, the contradiction is named",
    ),
    Worked(
        "RA far above",
        "75 RA, 55 CR, 45 CR, 35 RA",
        *("=", 45, 50, False, ("RA at 75 dB nHL above the CR at 45 dB nHL",)),
        why="all three parts are there, and still the series contradicts itself",
    ),
    Worked(
        "Inc above at the discharge level",
        "45 Inc, 35 CR, 25 CR",
        *("<=", 25, 30, False, ("Inc at 45 dB nHL above the CR at 25 dB nHL",)),
        why="the discharge level spares the RA, not a contradiction",
    ),
    Worked(
        "only RA",
        "80 RA, 60 RA, 40 RA",
        *(">", 80, 85, False, ("no replicated CR",)),
        why="the highest level tested is RA: the threshold lies beyond the series",
    ),
    Worked(
        "RA above Inc",
        "80 RA, 60 Inc",
        *(">", 80, 85, False, ("no replicated CR",)),
        why="the highest level decides where there is no CR",
    ),
    Worked(
        "Inc above RA",
        "80 Inc, 60 RA",
        *(
            "",
            None,
            None,
            False,
            ("no replicated CR", "the highest level tested, 80 dB nHL, is Inc"),
        ),
        why="neither a CR nor an RA at the highest level: no number",
    ),
    Worked(
        "only Inc",
        "80 Inc, 60 Inc",
        *(
            "",
            None,
            None,
            False,
            ("no replicated CR", "the highest level tested, 80 dB nHL, is Inc"),
        ),
        why="no number",
    ),
    Worked(
        "one trace above threshold",
        "55 CR1, 45 CR, 35 RA",
        *("=", 45, 50, True, ()),
        why="a CR from one trace is allowed above the threshold",
    ),
    Worked(
        "one trace below the replicated CR",
        "65 CR, 55 CR, 45 CR1, 35 RA",
        *("<=", 55, 60, False, ("RA one step below: 45 dB nHL is CR from one trace",)),
        why="a CR from one trace never defines the threshold, and it is no RA",
    ),
    Worked(
        "one trace over a CR that masking took away",
        "55 CR1, 45/none CR, 45/60 RA",
        *("", None, None, False, ("no replicated CR", "55 dB nHL, is CR from one trace")),
        why="the masked RA counts at 45, and one trace never defines the threshold",
    ),
    Worked(
        "masked and unmasked at one level",
        "65 CR, 55 CR, 45/none CR, 45/60 RA",
        *("=", 55, 60, True, ()),
        why="the masked one counts: the unmasked response came from the other ear",
    ),
    Worked(
        "more masking at one level",
        "65 CR, 55 CR, 45/40 CR, 45/60 RA",
        *("=", 55, 60, True, ()),
        why="the higher masking counts (own choice)",
    ),
    Worked(
        "masked without a trace",
        "65 CR, 55 CR, 45/none CR, 45/60 -",
        *("<=", 55, 60, False, ("RA one step below: 45 dB nHL has no trace",)),
        why="masking was called for: what was seen without it does not stand in (own choice)",
    ),
    Worked(
        "masked at some levels",
        "65/none CR, 55/60 CR, 45/60 RA",
        *("=", 55, 60, True, ()),
        why="masked and unmasked levels share a series",
    ),
    Worked(
        "masking not recorded beside unmasked, alike",
        "55 CR, 45 CR, 45/none CR, 35 RA",
        *("=", 45, 50, True, ()),
        why="two of equal standing agree",
    ),
    Worked(
        "masking not recorded beside unmasked, unlike",
        "65 CR, 55 CR, 45 CR, 45/none RA",
        *("<=", 55, 60, False, ("RA one step below: 45 dB nHL is Inc",)),
        why="two of equal standing disagree, which settles nothing (own choice)",
    ),
    Worked(
        "masking not recorded beside unmasked, one without a trace",
        "55 CR, 45 -, 45/none CR, 35 RA",
        *("=", 45, 50, True, ()),
        why="data that could not be read take no part where others of equal standing do",
    ),
    Worked(
        "5 dB below",
        "55 CR, 45 CR, 40 RA",
        *("=", 45, 50, True, ()),
        why="an RA 5 dB below says more than one 10 dB below (from memory: 5 dB is allowed)",
    ),
    Worked(
        "5 dB on both sides",
        "55 CR, 50 CR, 45 RA, 40 RA",
        *("=", 50, 55, True, ()),
        why="levels within a step serve",
    ),
    Worked(
        "Inc half a step below, RA a step below",
        "55 CR, 45 CR, 40 Inc, 35 RA",
        *("=", 45, 50, True, ()),
        why="the RA one step below stands; a finer step was tried in vain",
    ),
    Worked(
        "Inc half a step above",
        "55 CR, 50 Inc, 45 CR, 35 RA",
        *("=", 45, 50, False, ("Inc at 50 dB nHL above the CR at 45 dB nHL",)),
        why="the CR one step above is there; the Inc between them contradicts",
    ),
    Worked(
        "no trace anywhere",
        "55 -, 45 -",
        *("", None, None, False, ("no replicated CR", "55 dB nHL, has no trace")),
        why="nothing was graded",
    ),
    Worked(
        "no trace one step above",
        "55 -, 45 CR, 35 RA",
        *("=", 45, 50, False, ("CR one step above: 55 dB nHL has no trace",)),
        why="not a contradiction, but the CR above is missing",
    ),
    Worked(
        "no trace far above",
        "65 -, 55 CR, 45 CR, 35 RA",
        *("=", 45, 50, True, ()),
        why="data that could not be read contradict nothing",
    ),
    Worked(
        "no trace at the highest level",
        "80 -, 60 RA",
        *("", None, None, False, ("no replicated CR", "80 dB nHL, has no trace")),
        why="somebody tested 80, and there may have been a response",
    ),
)


def check(found, worked):
    assert found.relation == worked.relation
    assert (found.threshold_db_nhl, found.threshold_db_ehl) == (worked.nhl, worked.ehl)
    assert found.gold_standard == worked.gold
    assert len(found.missing) == len(worked.missing)
    for phrase, part in zip(worked.missing, found.missing, strict=True):
        assert phrase in part


@pytest.mark.parametrize("worked", WORKED, ids=lambda one: one.name)
def test_worked_series(worked):
    (found,) = find_thresholds(levels_of(worked.series), CRITERIA, 5.0)
    check(found, worked)


def only(text, *, age=5.0, criteria=CRITERIA, **how):
    (found,) = find_thresholds(levels_of(text, **how), criteria, age)
    return found


def test_5_db_steps_that_the_criteria_ask_for():
    """With a step of 5 dB neighbours 10 dB away are skipped levels."""
    fine = replace(CRITERIA, threshold=ThresholdRule(step_db=5.0))
    met = only("50 CR, 45 CR, 40 RA", criteria=fine)
    assert (met.relation, met.threshold_db_nhl, met.gold_standard) == ("=", 45, True)
    missed = only("55 CR, 45 CR, 35 RA", criteria=fine)
    assert (missed.relation, missed.threshold_db_nhl) == ("<=", 45)
    above, below = missed.missing
    assert "50 dB nHL not tested" in above
    assert "40 dB nHL not tested" in below


def test_levels_in_ehl_stay_as_they_are():
    """A series in eHL has no nHL number, and no offset is added a second time."""
    found = only("55 CR, 45 CR, 35 RA", scale="level_db_ehl")
    assert (found.relation, found.gold_standard) == ("=", True)
    assert (found.threshold_db_nhl, found.threshold_db_ehl) == (None, 45)
    assert found.offset is None
    assert found.no_ehl == ""


def test_discharge_of_levels_in_ehl():
    """30 dB eHL is the discharge level as it stands; 35 is not."""
    spared = only("40 CR, 30 CR", scale="level_db_ehl")
    assert (spared.relation, spared.threshold_db_ehl, spared.gold_standard) == ("<=", 30, True)
    asked = only("45 CR, 35 CR", scale="level_db_ehl", age=None)
    assert (asked.relation, asked.threshold_db_ehl, asked.gold_standard) == ("<=", 35, False)
    assert "25 dB eHL not tested" in asked.missing[0]


@pytest.mark.parametrize(
    ("series", "key"),
    [
        (Condition("left", "insert", "click"), "click, insert"),
        (replace(CHIRP, transducer="bone"), "narrowband-chirp, 4000 Hz, bone"),
        (replace(CHIRP, transducer="headphone"), "narrowband-chirp, 4000 Hz, headphone"),
        (replace(CHIRP, frequency_hz=1000.0), "narrowband-chirp, 1000 Hz, insert"),
        (replace(CHIRP, stimulus="tone-burst"), "tone-burst, 4000 Hz, insert"),
    ],
)
def test_no_offset_row(series, key):
    """One row, for one stimulus, frequency and transducer: nothing is borrowed for another."""
    found = only("55 CR, 45 CR, 35 RA", series=series)
    assert (found.relation, found.threshold_db_nhl, found.gold_standard) == ("=", 45, True)
    assert found.threshold_db_ehl is None
    assert key in found.no_ehl


@pytest.mark.parametrize("age", [None, 12.0, -0.1])
def test_without_an_ehl_nobody_knows_that_it_is_the_discharge_level(age):
    """25 dB nHL would be 30 dB eHL in the first twelve weeks; at another age no offset is known."""
    found = only("35 CR, 25 CR", age=age)
    assert (found.relation, found.threshold_db_nhl, found.threshold_db_ehl) == ("<=", 25, None)
    assert not found.gold_standard
    (below,) = found.missing
    assert "15 dB nHL not tested" in below
    assert "discharge level, 30 dB eHL" in below
    assert "age" in found.no_ehl
    assert "0 to below 12 weeks" in found.no_ehl


def test_an_unknown_age_spoils_no_gold_standard_that_needs_no_discharge_level():
    found = only("55 CR, 45 CR, 35 RA", age=None)
    assert (found.gold_standard, found.missing) == (True, ())
    assert found.threshold_db_ehl is None
    assert "corrected age is not known" in found.no_ehl


# ----- from recordings -----

AXIS = TimeAxis(12000.0, 0.0, 300)
SETTINGS = default_settings()
FLAT, CLEAR = 0.0, 1.0


def latency_ms(db):
    """Wave V's centre, where the settings expect it: later by 0.35 ms for 10 dB down."""
    return 9.64 - 0.035 * (db - 7.0)


def wave(db, size):
    """Nothing, or a response of 125 nV at 25 dB and 10 nV more for 10 dB up."""
    return response(AXIS.times_ms, latency_ms(db), size * (100.0 + db))


class Ward:
    """Recordings whose noise is made so that no grade hangs on a draw.

    What two replicates differ by is drawn, and so is what A and B differ by; the combined trace
    holds a fifth of a third draw only. Its noise is then far below what A and B, and the two
    traces, say that it is: a flat level looks like nothing and a response like itself.
    """

    def __init__(self):
        self.rng = np.random.default_rng(6)

    def noise(self, size_nv):
        trace = simulate_average("Q33", 2000, 1, seed=self.rng)[0]
        return trace * (size_nv / np.sqrt(np.mean(trace**2)))

    def pair(self, db, size, *, rn_nv=8.0, apart_nv=8.0, both=True, **how):
        """Two replicates of `rn_nv` nV of noise each, `apart_nv` to either side of their mean."""
        shared = wave(db, size) + 0.2 * self.noise(rn_nv)
        half_gap = self.noise(apart_nv)
        means = (shared + half_gap, shared - half_gap)[: 2 if both else 1]
        return [self.recording(db, mean, rn_nv, i, **how) for i, mean in enumerate(means)]

    def recording(
        self,
        db,
        mean,
        rn_nv,
        i,
        *,
        n_sweeps=2000,
        marks=None,
        masking_db=None,
        layout="buffers",
        split="alternate",
    ):
        half = self.noise(rn_nv)
        n = n_sweeps // 2
        data = {
            "buffers": lambda: Buffers(mean + half, mean - half, n, n, AXIS),
            "average": lambda: Average(mean, n_sweeps, AXIS),
            "unreadable": lambda: None,
        }[layout]()
        return Recording(
            name=f"{db:g}-{masking_db}-{i}",
            kind="test",
            layout="buffers",
            condition=replace(CHIRP, level_db_nhl=float(db), masking_db=masking_db),
            waveforms=data,
            problem="" if data else "cannot be read",
            counts=Counts(n_sweeps),
            marks=marks or ClinicianMarks(),
            buffer_split=split,
        )

    def sweeps(self, db, size):
        """One recording of 1000 sweeps with 9 nV of noise left in their average."""
        data = 0.35 * simulate_noise("Q33", 1000, seed=self.rng) + wave(db, size)
        return [replace(self.recording(db, AXIS.times_ms, 1.0, 0), waveforms=Sweeps(data, AXIS))]


def marks(db):
    centre = latency_ms(db)
    return ClinicianMarks(true_v_ms(centre), true_sn10_ms(centre))


def why(graded):
    """Return the reasons of a grade, and all that stands against any other."""
    against = (str(one) for one in graded.outcomes if one.stands_against)
    return "; ".join((*graded.reasons, *against))


@pytest.fixture
def ward():
    return Ward()


@pytest.fixture
def judged():
    """Return the grades by level, why, and the one threshold of these recordings."""

    def judge(*levels):
        recordings = tuple(one for level in levels for one in level)
        session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
        graded = grade_levels(measure_levels(session, SETTINGS), CRITERIA)
        (found,) = find_thresholds(graded, CRITERIA, 5.0)
        grades = [one.grade + "1" * one.one_trace for one in graded]
        return grades, [why(one) for one in graded], found

    return judge


def summary(found):
    return found.relation, found.threshold_db_nhl, found.threshold_db_ehl, found.gold_standard


def test_gold_standard_from_recordings(ward, judged):
    """Marked by a clinician, 145 nV and more against 8 nV of noise; below it nothing."""
    grades, reasons, found = judged(
        ward.pair(55, CLEAR, marks=marks(55)),
        ward.pair(45, CLEAR, marks=marks(45)),
        ward.pair(35, FLAT),
    )
    assert grades == ["CR", "CR", "RA"]
    assert "provisional" not in reasons[1]
    assert summary(found) == ("=", 45, 50, True)


def test_missing_marks_leave_the_number_and_are_called_provisional(ward, judged):
    """The rules grade a suggestion as they grade a mark, and say so."""
    grades, reasons, found = judged(ward.pair(55, CLEAR), ward.pair(45, CLEAR), ward.pair(35, FLAT))
    assert grades == ["CR", "CR", "RA"]
    assert "no clinician has placed" in reasons[1]
    assert summary(found) == ("=", 45, 50, True)


def test_a_missing_sn10_mark_is_no_amplitude(ward, judged):
    """V alone at 45: no amplitude for a CR, and a mark that stands against an RA."""
    v_only = replace(marks(45), sn10_ms=np.nan)
    grades, reasons, found = judged(
        ward.pair(65, CLEAR),
        ward.pair(55, CLEAR),
        ward.pair(45, CLEAR, marks=v_only),
    )
    assert grades == ["CR", "CR", "Inc"]
    assert "no SN10" in reasons[2]
    assert "no-clinician-mark" in reasons[2]
    assert summary(found) == ("<=", 55, 60, False)
    assert "45 dB nHL is Inc" in found.missing[0]


def test_a_mark_on_a_flat_level_is_no_absence(ward, judged):
    """The clinician saw something: not RA, and not large enough for CR."""
    grades, reasons, found = judged(
        ward.pair(55, CLEAR), ward.pair(45, CLEAR), ward.pair(35, FLAT, marks=marks(35))
    )
    assert grades == ["CR", "CR", "Inc"]
    assert "no-clinician-mark" in reasons[2]
    assert summary(found) == ("<=", 45, 50, False)


def test_four_runs_pooled(ward, judged):
    """1st with 3rd, 2nd with 4th: 17 nV a run is about 12 nV a trace.

    A trace of 60 nV is added to the first two runs and taken from the last two: it cancels when
    they are pooled so, and 1st with 2nd would differ from 3rd with 4th by twice as much. Two
    runs of that noise alone are too noisy.
    """
    shift = ward.noise(60.0)
    runs = [ward.recording(35, sign * shift, 17.0, i) for i, sign in enumerate((1, 1, -1, -1))]
    clear = [ward.pair(55, CLEAR), ward.pair(45, CLEAR)]
    grades, _, found = judged(*clear, runs)
    assert grades == ["CR", "CR", "RA"]
    assert summary(found) == ("=", 45, 50, True)
    grades, reasons, found = judged(*clear, ward.pair(35, FLAT, rn_nv=17.0))
    assert grades == ["CR", "CR", "Inc"]
    assert "noise-absent" in reasons[2]
    assert summary(found) == ("<=", 45, 50, False)


def test_low_noise_but_a_wide_gap_is_no_absence(ward, judged):
    """8 nV in each trace by its buffers; a difference of 40 nV either way is a gap of about 60."""
    grades, reasons, found = judged(
        ward.pair(55, CLEAR), ward.pair(45, CLEAR), ward.pair(35, FLAT, apart_nv=40.0)
    )
    assert grades == ["CR", "CR", "Inc"]
    assert "gap-absent" in reasons[2]
    assert "noise-absent" not in reasons[2]
    assert summary(found) == ("<=", 45, 50, False)
    assert "35 dB nHL is Inc" in found.missing[0]


@pytest.mark.parametrize(
    ("how", "clause"),
    [
        ({"rn_nv": 25.0}, "noise-absent"),
        ({"n_sweeps": 800}, "fewest-sweeps"),
        ({"split": "polarity"}, "no-polarity-buffers"),
    ],
)
def test_what_is_no_absence_leaves_an_upper_bound(ward, judged, how, clause):
    """Flat, but too noisy, of too few sweeps, or with noise that is not noise alone."""
    grades, reasons, found = judged(
        ward.pair(55, CLEAR), ward.pair(45, CLEAR), ward.pair(35, FLAT, **how)
    )
    assert grades == ["CR", "CR", "Inc"]
    assert clause in reasons[2]
    assert summary(found) == ("<=", 45, 50, False)


def test_missing_buffers_of_one_average(ward, judged):
    """One average alone tells no noise: nothing can be called absent."""
    grades, reasons, found = judged(
        ward.pair(55, CLEAR),
        ward.pair(45, CLEAR),
        ward.pair(35, FLAT, layout="average", both=False),
    )
    assert grades == ["CR", "CR", "Inc"]
    assert "two-traces" in reasons[2]
    assert summary(found) == ("<=", 45, 50, False)


def test_missing_buffers_of_two_averages(ward, judged):
    """Two averages tell their noise by how they differ: half their difference, 8 nV here."""
    grades, _, found = judged(
        ward.pair(55, CLEAR, layout="average"),
        ward.pair(45, CLEAR, layout="average"),
        ward.pair(35, FLAT, layout="average"),
    )
    assert grades == ["CR", "CR", "RA"]
    assert summary(found) == ("=", 45, 50, True)


def test_one_trace_allowed_above_threshold(ward, judged):
    """155 nV and a high F in 1000 sweeps, recorded once, above a replicated CR."""
    grades, _, found = judged(ward.sweeps(55, CLEAR), ward.pair(45, CLEAR), ward.pair(35, FLAT))
    assert grades == ["CR1", "CR", "RA"]
    assert summary(found) == ("=", 45, 50, True)


def test_one_trace_refused_at_threshold(ward, judged):
    """A like recording with nothing but an RA below: never at threshold."""
    grades, reasons, found = judged(ward.sweeps(45, CLEAR), ward.pair(35, FLAT))
    assert grades == ["Inc", "RA"]
    assert "needs: a replicated CR at a lower level" in reasons[0]
    assert summary(found) == ("", None, None, False)
    assert "45 dB nHL, is Inc" in found.missing[1]


def test_one_trace_without_sweeps_is_refused_above_threshold(ward, judged):
    """Buffers tell no F, so the rule of one trace cannot be applied: Inc above a CR."""
    grades, reasons, found = judged(
        ward.pair(55, CLEAR, both=False), ward.pair(45, CLEAR), ward.pair(35, FLAT)
    )
    assert grades == ["Inc", "CR", "RA"]
    assert "two-traces" in reasons[0]
    assert summary(found) == ("=", 45, 50, False)
    assert "55 dB nHL is Inc" in found.missing[0]
    assert "Inc at 55 dB nHL above" in found.missing[1]


def test_a_recording_that_cannot_be_read_is_no_grade(ward, judged):
    grades, reasons, found = judged(
        ward.pair(55, CLEAR),
        ward.pair(45, CLEAR),
        ward.pair(35, FLAT, layout="unreadable"),
    )
    assert grades == ["CR", "CR", ""]
    assert reasons[2] == "no trace to grade"
    assert summary(found) == ("<=", 45, 50, False)
    assert "35 dB nHL has no trace" in found.missing[0]


def test_a_cross_heard_response_goes_with_masking(ward, judged):
    """Clear without masking, flat with it: the threshold of this ear is higher."""
    grades, _, found = judged(
        ward.pair(65, CLEAR, masking_db=60.0),
        ward.pair(55, CLEAR, masking_db=60.0),
        ward.pair(45, CLEAR, masking_db="none"),
        ward.pair(45, FLAT, masking_db=60.0),
    )
    assert grades == ["CR", "CR", "CR", "RA"]
    assert summary(found) == ("=", 55, 60, True)


def test_masking_that_nobody_recorded_changes_nothing(ward, judged):
    """The decision should be written down; a threshold does not need it (see the cautions)."""
    grades, _, found = judged(
        ward.pair(85, CLEAR, masking_db="none"), ward.pair(75, CLEAR), ward.pair(65, FLAT)
    )
    assert grades == ["CR", "CR", "RA"]
    assert summary(found) == ("=", 75, 80, True)


def test_only_absent_responses_from_recordings(ward, judged):
    grades, _, found = judged(ward.pair(80, FLAT), ward.pair(60, FLAT))
    assert grades == ["RA", "RA"]
    assert summary(found) == (">", 80, 85, False)


def test_discharge_from_recordings(ward, judged):
    """A response at 25 dB nHL, and nothing recorded below it."""
    grades, _, found = judged(ward.pair(35, CLEAR), ward.pair(25, CLEAR))
    assert grades == ["CR", "CR"]
    assert summary(found) == ("<=", 25, 30, True)
