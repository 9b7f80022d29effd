"""A session's own sweeps: the response goes, the noise stays, and who cannot serve is told."""

from pathlib import Path

import numpy as np
import pytest

from waveworks.calibration import Experiment, SessionNoise, run, session_noise, session_sources
from waveworks.calibration.experiment import latency_ms
from waveworks.errors import DataError
from waveworks.model import (
    Average,
    Blocks,
    Buffers,
    Condition,
    Recording,
    Session,
    SessionInfo,
    Sweeps,
    TimeAxis,
)
from waveworks.settings import default_settings
from waveworks.simulate.noise import simulate_noise
from waveworks.simulate.response import response

AXIS = TimeAxis(12_000.0, 0.0, 300)
WINDOW = (5.0, 17.0)


def noise(sweeps, **changes):
    return SessionNoise("a", AXIS, WINDOW, np.asarray(sweeps), **changes)


def test_a_response_of_any_size_changes_nothing():
    """Whatever is the same in all sweeps is gone: from the average, and from the scatter."""
    quiet = simulate_noise("Q33", 250, seed=11)  # 25 blocks: they cannot be halved
    wave = response(AXIS.times_ms, 8.0, 900.0)
    drawn = [noise(x).draw(250, np.random.default_rng(3)) for x in (quiet, quiet + wave)]
    np.testing.assert_allclose(drawn[1], drawn[0], atol=1e-8)


def test_half_the_blocks_of_ten_are_turned_over_anew_each_time():
    rng = np.random.default_rng(5)
    sweeps = rng.standard_normal((400, 300))
    apart = sweeps - sweeps.mean(axis=0)
    for _ in range(3):
        signs = noise(sweeps).draw(400, rng) / apart
        np.testing.assert_allclose(np.abs(signs), 1)
        blocks = signs.reshape(40, 10, 300)
        assert (np.ptp(blocks.round(), axis=(1, 2)) == 0).all()
        assert blocks[:, 0, 0].round().sum() == 0
    source = noise(sweeps)
    assert not np.array_equal(source.draw(400, rng), source.draw(400, rng))


def test_power_does_not_depend_on_the_response_of_the_session():
    """A response left among the sweeps would count as noise, and T2 would find little."""
    wave = response(AXIS.times_ms, 8.0, 600.0)
    quiet = simulate_noise("Q33", 500, seed=21)
    found = []
    for sweeps in (quiet, quiet + wave):
        plan = Experiment(
            sources=(noise(sweeps),),
            tests=("hotelling-t2", "calibrated-f"),
            amplitudes_nv=(150.0,),
            n_runs=50,
        )
        found.append([cell.pvalues for cell in run(plan)])
    np.testing.assert_allclose(found[1], found[0], rtol=1e-4)


def test_blocks_are_drawn_as_epochs_and_counted_as_sweeps():
    source = noise(np.random.default_rng(1).standard_normal((30, 300)), per_epoch=20)
    assert source.n_sweeps == 600
    assert source.draw(400, np.random.default_rng(2)).shape == (20, 300)
    plan = Experiment(
        sources=(source,), tests=("customary-f",), amplitudes_nv=(50.0,), looks=(400, 600), n_runs=5
    )
    (cell,) = run(plan)  # 50 nV in noise of 1 nV: at the first look
    assert (cell.found == 0).all()
    with pytest.raises(DataError, match="blocks of 20 sweeps; every look must be a multiple"):
        source.draw(410, np.random.default_rng(2))
    with pytest.raises(DataError, match="'a' has 600 sweeps; the last look is at 620"):
        source.draw(620, np.random.default_rng(2))


def condition(stimulus, frequency_hz=None):
    return Condition("left", "insert", stimulus, frequency_hz, 40.0)


CLICK = condition("click")


def recording(name, waveforms, *, of=CLICK, problem=""):
    layout = "sweeps" if waveforms is None else type(waveforms).__name__.lower()
    return Recording(
        name=name, kind="test", layout=layout, condition=of, waveforms=waveforms, problem=problem
    )


SWEEPS = simulate_noise("Q33", 240, seed=1)


def test_the_response_lies_inside_every_window():
    """8 ms would be the very start of the window of 500 Hz tones, 8 to 22 ms."""
    tone = recording("t", Sweeps(SWEEPS, AXIS), of=condition("tone-burst", 500.0))
    settings = default_settings()
    source = session_noise(tone, settings)
    assert source.response_ms == pytest.approx((8.0, 22.0))
    assert latency_ms(source) == pytest.approx(11.0)
    click = session_noise(recording("c", Sweeps(SWEEPS, AXIS)), settings)
    assert latency_ms(click) == pytest.approx(8.0)
    np.testing.assert_array_equal(click.epochs_nv, SWEEPS[:, 60:181])  # 5 to 15 ms


def test_a_window_without_ends_is_that_of_the_data():
    other = recording("o", Sweeps(SWEEPS, AXIS), of=condition("other"))
    assert session_noise(other, default_settings()).response_ms == pytest.approx((0.0, 299 / 12))


def test_every_recording_is_used_or_says_why_not():
    short = TimeAxis(12_000.0, 0.0, 50)
    recordings = (
        recording("good", Sweeps(SWEEPS, AXIS)),
        recording("unread", None, problem="unread.csv: no such file"),
        recording("outside", Sweeps(SWEEPS[:, :50], short)),
        recording("same", Sweeps(np.tile(SWEEPS[0], (240, 1)), AXIS)),
        recording("unequal", Blocks(SWEEPS[:2], (10, 20), AXIS)),
        recording("buffers", Buffers(SWEEPS[0], SWEEPS[1], 30, 30, AXIS)),
        recording("average", Average(SWEEPS[0], 60, AXIS)),
        recording("blocks", Blocks(SWEEPS[:60], (4,) * 60, AXIS)),
        recording("few", Sweeps(SWEEPS[:200], AXIS)),
        recording("aborted", Sweeps(SWEEPS[:9], AXIS)),
        recording("big blocks", Blocks(SWEEPS[:19], (40,) * 19, AXIS)),
    )
    session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
    chosen = session_sources(session, default_settings(), (40, 220))
    assert [(source.name, source.per_epoch) for source in chosen.sources] == [
        ("good", 1),
        ("blocks", 4),
    ]
    assert chosen.looks == (40, 220)
    for line, words in zip(
        chosen.left_out,
        (
            "'unread': unread.csv: no such file",
            "'outside': response window 5 to 15 ms is not inside the data",
            "'same': its sweeps are identical",
            "'unequal': its blocks are of unequal or unknown size",
            "'buffers': A and B hold no sweeps; they still allow the A/B ratio and the shape test",
            "'average': an average holds no sweeps",
            "'aborted': 9 sweeps are too few to turn half of them over, 20 blocks of 10 sweeps",
            "'big blocks': 760 sweeps are too few to turn half of them over, 20 blocks of 40 sweep",
            "'few' has 200 sweeps; the last look is at 220",
        ),
        strict=True,
    ):
        assert line.startswith("left out: recording ")
        assert words in line


def test_without_looks_the_shortest_recording_decides():
    recordings = tuple(recording(str(n), Sweeps(SWEEPS[:n], AXIS)) for n in (240, 220))
    session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
    chosen = session_sources(session, default_settings())
    assert (chosen.looks, len(chosen.sources), chosen.left_out) == ((220,), 2, ())
    with pytest.raises(DataError, match=r"(?s)no recording .* can be used.*'240' has.*'220' has"):
        session_sources(session, default_settings(), (280,))


def test_an_aborted_recording_does_not_decide_the_looks_of_the_others():
    recordings = tuple(recording(str(n), Sweeps(SWEEPS[:n], AXIS)) for n in (240, 9))
    session = Session(folder=Path(), info=SessionInfo("s"), recordings=recordings)
    chosen = session_sources(session, default_settings())
    assert (chosen.looks, [source.name for source in chosen.sources]) == ((240,), ["240"])
    (line,) = chosen.left_out
    assert line.startswith("left out: recording '9': 9 sweeps are too few")


@pytest.mark.parametrize(
    ("n_epochs", "per_epoch"), [(199, 1), (10, 1), (19, 10), (39, 4), (19, 99)]
)
def test_too_few_blocks_are_refused_by_name(n_epochs, per_epoch):
    """Of one block the average without its mean is 0, and no test ever finds anything."""
    source = noise(np.random.default_rng(4).standard_normal((n_epochs, 300)), per_epoch=per_epoch)
    with pytest.raises(DataError, match=r"^recording 'a': .* too few .* 20 blocks"):
        source.draw(source.n_sweeps, np.random.default_rng(2))


@pytest.mark.parametrize(("n_epochs", "per_epoch"), [(200, 1), (20, 10), (40, 4), (20, 99)])
def test_enough_blocks_are_drawn_and_hardly_twice_the_same(n_epochs, per_epoch):
    """One sample whose sum over blocks is a different number for every way to turn half of them."""
    size = max(1, 10 // per_epoch)
    bits = np.repeat(2.0 ** np.arange(20), size)[:n_epochs, np.newaxis]
    source = noise(np.tile(bits, 300), per_epoch=per_epoch)
    rng = np.random.default_rng(6)
    sums = {source.draw(source.n_sweeps, rng)[:, 0].sum().round(3) for _ in range(300)}
    assert len(sums) > 290
