"""The receiver in Python, with blocks of one's own, and scoring."""
import json

import numpy as np
import pytest

import cohlink

WINDOW = 64


def running_sum(rows, window):
    """Of each row, over `window` values about each of them; fewer at the ends."""
    sums = np.concatenate([np.zeros((len(rows), 1), rows.dtype), np.cumsum(rows, axis=1)], axis=1)
    n = rows.shape[1]
    k = np.arange(n)
    return sums[:, np.minimum(n, k + window // 2)] - sums[:, np.maximum(0, k - window // 2)]


def fourth_power(symbols):
    """A. J. Viterbi and A. M. Viterbi, IEEE Trans. Inf. Theory 29(4) 543 (1983), for QPSK: each row by itself."""
    angle = np.angle(running_sum(-symbols.astype(complex) ** 4, WINDOW))
    return symbols * np.exp(-0.25j * np.unwrap(angle, axis=1))


def phase_search(symbols, phases=32, window=2 * WINDOW):
    """T. Pfau, S. Hoffmann and R. Noe, J. Lightwave Technol. 27(8) 989 (2009): the test phase of the least distance to
    the constellation, both rows together."""
    scale = np.sqrt(np.mean(abs(symbols) ** 2))
    tests = (np.arange(phases) / phases - 0.5) * np.pi / 2
    sums = []
    for phase in tests:
        turned = symbols * np.exp(-1j * phase) / scale
        nearest = (np.sign(turned.real) + 1j * np.sign(turned.imag)) / np.sqrt(2)
        sums.append(running_sum(np.sum(abs(turned - nearest) ** 2, axis=0, keepdims=True), window)[0])
    best = tests[np.argmin(sums, axis=0)]
    return symbols * np.exp(-0.25j * np.unwrap(4 * best))


@pytest.fixture(scope="module")
def receiver(capture):
    return cohlink.Receiver(capture.scenario)


def test_the_numbers_are_the_programs(capture, program, tmp_path):
    capture.save(tmp_path / "c.h5")
    told = json.loads(program("receive", "c.h5", "--format", "json"))
    result = cohlink.Receiver(capture.scenario).run(capture)
    assert result.locked and result.ber > 0
    for name, value in {"ber": result.ber, "ber_low": result.ber_interval[0], "ber_high": result.ber_interval[1],
                        "errors": result.errors, "bits": result.bits, "q_db": result.q_db, "snr_db": result.snr_db,
                        "evm_percent": result.evm_percent, "gmi_bits": result.gmi_bits,
                        "frequency_offset_hz": result.frequency_offset_hz,
                        "discarded_symbols": result.discarded_symbols, "scored_symbols": result.scored_symbols,
                        "cycle_slips": result.slips}.items():
        assert told[name] == value, name


def test_stages_are_those_of_the_chain(receiver, capture):
    assert receiver.stages[-1] == "phase" and "equaliser" in receiver.stages
    recorded = receiver.run(capture, record=True).stages
    assert len(recorded) == len(receiver.stages)
    assert recorded[-1]["points"].dtype == np.complex64
    assert receiver.run(capture).stages == []


def test_until_stops_behind_a_block(receiver, capture):
    lanes = receiver.run(capture, until="lanes")
    assert lanes.signal.shape == (2, 16384) and lanes.sample_rate_hz == 64e9
    eq = receiver.run(capture, until="equaliser")
    assert eq.symbols.shape[0] == 2 and eq.symbols.dtype == np.complex64 and eq.sample_rate_hz == 32e9
    assert 0 < eq.first < eq.last < eq.symbols.shape[1]
    with pytest.raises(cohlink.ScenarioError, match="more than one block 'frequency'"):
        receiver.run(capture, until="frequency")


def test_own_phase_recovery_by_replace_and_by_until_and_score_agree_to_the_last_bit(capture, receiver):
    replaced = cohlink.Receiver(capture.scenario).replace("phase", fourth_power).run(capture)
    before = receiver.run(capture, until="frequency (fine)")
    own = fourth_power(before.symbols)
    after = cohlink.score(own, capture, after=before)
    skipped = cohlink.score(own, capture, skip=before.first)
    assert replaced.locked and 0 < replaced.errors
    for graded in (after, skipped):
        assert (graded.errors, graded.bits, graded.ber) == (replaced.errors, replaced.bits, replaced.ber)
        assert graded.ber_interval == replaced.ber_interval and graded.slips == replaced.slips
    assert after.snr_db == replaced.snr_db
    assert np.array_equal(after.symbols, replaced.symbols)


def test_our_phase_search_written_anew_in_numpy_agrees_within_the_interval(capture, receiver):
    built_in = receiver.run(capture)
    own = cohlink.Receiver(capture.scenario).replace("phase", phase_search).run(capture)
    # Both see the same noise: each estimate lies well inside the other's 95 % interval.
    assert built_in.ber_interval[0] < own.ber < built_in.ber_interval[1]
    assert own.ber_interval[0] < built_in.ber < own.ber_interval[1]


def test_a_block_is_told_its_place_when_it_asks(capture):
    seen = []

    def halve(signal, context):
        seen.append((context.samples_per_symbol, context.sample_rate_hz, context.symbol_rate_hz, signal.shape[0]))
        assert context.first < context.last
        return signal[:, ::2]

    with pytest.raises(cohlink.ScenarioError):  # too coarse an equaliser to lock need not be; too short an array is
        cohlink.Receiver(capture.scenario).replace("equaliser", lambda s, c: s[:, :100], context=True).run(capture)
    cohlink.Receiver(capture.scenario).replace("equaliser", halve, context=True).run(capture)
    assert seen == [(pytest.approx(2.0), 32e9, 32e9, 2)]


@pytest.mark.parametrize("function, error, said", [
    (lambda s: s[0], TypeError, "two rows"),
    (lambda s: None, TypeError, "array of complex numbers"),
    (lambda s: s * np.nan, cohlink.ScenarioError, "not finite"),
    (lambda s: 1 / 0, ZeroDivisionError, "division"),
])
def test_what_a_block_does_wrong_is_said(capture, function, error, said):
    with pytest.raises(error, match=said):
        cohlink.Receiver(capture.scenario).replace("phase", function).run(capture)


def test_replace_refuses_what_is_no_block_and_no_function(capture):
    with pytest.raises(cohlink.ScenarioError, match="has no block 'phases'"):
        cohlink.Receiver(capture.scenario).replace("phases", fourth_power)
    with pytest.raises(TypeError, match="function"):
        cohlink.Receiver(capture.scenario).replace("phase", 3)


def test_score_counts_what_was_put_in(capture):
    # Sent symbols, turned, delayed and at another scale, with known mistakes: counted one for one.
    sent = np.roll(capture.truth.symbols[::-1], 17, axis=1) * 2.5j
    wrong = sent.copy()
    wrong[0, 1000:1010] *= -1  # QPSK: the opposite point, both bits wrong
    result = cohlink.score(wrong, capture, skip=100)
    assert (result.errors, result.bits) == (20, 2 * 2 * (8192 - 200))
    assert result.swapped and result.delay_symbols == (17, 17) and result.quarter_turns == (1, 1)
    assert result.slips == 0
    slipped = sent.copy()
    slipped[1, 4096:] *= 1j
    assert cohlink.score(slipped, capture, skip=100).slips == 1
    alone = cohlink.score(wrong[0], capture, skip=100)
    assert (alone.errors, alone.bits) == (20, 2 * (8192 - 200))


def test_score_of_bits(capture):
    bits = capture.truth.bits.copy()
    bits[1, [3000, 5001]] ^= 1
    result = cohlink.score(None, capture, bits=bits, skip=128)
    assert (result.errors, result.bits) == (2, 2 * 2 * (8192 - 256))
    assert np.isnan(result.snr_db) and np.isnan(result.gmi_bits)


def test_score_says_what_it_cannot_grade(capture):
    noise = np.random.default_rng(1).normal(size=(2, 8192)) + 0j
    lost = cohlink.score(noise, capture)
    assert lost.ber is None and not lost.locked and any("no lock" in text for text in lost.warnings)
    with pytest.raises(cohlink.ScenarioError, match="too short"):
        cohlink.score(noise, capture, skip=4000)
    with pytest.raises(TypeError, match=r"shape \(2, n\)"):
        cohlink.score(np.zeros((3, 8192)), capture)
    with pytest.raises(TypeError, match="either symbols or bits"):
        cohlink.score(noise, capture, bits=noise)
    bare = cohlink.Capture(capture.lanes, 64e9, scenario=capture.scenario)
    with pytest.raises(cohlink.ScenarioError, match="no truth"):
        cohlink.score(noise, bare)
