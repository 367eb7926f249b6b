"""Presses of simulated berries, a few sessions of each row; the campaign draws thousands."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from gauge.detect.buttonpeaks import detector_for
from gauge.detect.detector import Detector
from gauge.detect.settings import DetectorSettings
from gauge.records import DetectorNotice, Flag, Press, Reading, Status, TruncatedPress
from gauge.units import Unit
from tests.bench.fruit_presses import WRONG, run
from tests.detect.fruit import ROWS


@pytest.mark.parametrize("row", [row for row in ROWS if row not in ("decimals", "spike")])
def test_simulated_berries(row):
    """Nothing missed, doubled, invented or wrong."""
    counts = [run((row, 2, number))[2] for number in range(8)]
    assert sum(count[key] for count in counts for key in (*WRONG, "crashed")) == 0


def said(forces, rate_hz=50.0, start_s=0.0, decimals=3):
    return [
        Reading(start_s + i / rate_hz, float(f"{v:.{decimals}f}"), f"{v:.{decimals}f}", Unit.N)
        for i, v in enumerate(forces)
    ]


def noisy(*pieces, noise=0.004):
    forces = np.concatenate(pieces)
    return forces + noise * np.random.default_rng(4).standard_normal(len(forces))


REST, RISE, FALL = np.zeros(100), np.linspace(0, 5, 75), np.linspace(5, 0, 8)


def flags(readings, *, lost=(), bad=(), settings=None):
    """Flags of the only berry; readings at the places `lost` never came, `bad` were unreadable."""
    detector, out = Detector(settings), []
    for i, reading in enumerate(readings):
        if i in bad:
            out += detector.unreadable(reading.t_s, 1)
        elif i not in lost:
            out += detector.feed([reading])
    [berry] = [event for event in out if isinstance(event, Press)]
    return berry


def peaks(events):
    return [event.peak_newton for event in events if isinstance(event, Press)]


def test_readings_lost_at_the_top_are_told_of():
    readings = said(noisy(REST, RISE, FALL, REST))
    lost = range(166, 176)  # 0.2 s
    whole, cut = flags(readings), flags(readings, lost=lost)
    assert whole.flags == ()
    assert Flag.PEAK_MAY_BE_HIGHER in cut.flags
    assert cut.peak_newton + cut.sampling_loss_newton >= whole.peak_newton


def test_a_burst_of_half_a_second_throws_no_press_away():
    readings = said(noisy(REST, RISE, np.full(50, 5.0), FALL, REST))
    berry = flags(readings, lost=range(150, 177))  # 0.54 s, up to the hold
    assert Flag.PEAK_MAY_BE_HIGHER in berry.flags
    assert berry.peak_newton == pytest.approx(5, abs=0.05)


def test_a_fast_press_that_was_lost_from_mid_rise_on_is_no_knock():
    readings = said(noisy(REST, 0.3 * np.arange(8), REST), 80.0)
    assert Flag.PEAK_MAY_BE_HIGHER in flags(readings, lost=range(104, 112)).flags


def test_what_could_not_be_read_after_a_touch_is_told():
    """Of a press nothing is left but the first and last readings, too low for one."""
    touch = np.full(8, 0.028)
    readings = said(noisy(REST, touch, np.full(20, 5.0), touch, REST))
    detector = Detector()
    events = detector.feed(readings[:108]) + detector.feed(readings[128:])
    [notice] = events
    assert "Nothing could be read for 0.4 s" in notice.text


@pytest.mark.parametrize("seed", range(8))
def test_chunks_that_come_late_from_the_first_on_are_no_loss(seed):
    """Each chunk is late by up to 0.15 s; the rate must not be taken from the first two of them."""
    rng = np.random.default_rng([9, seed])
    readings = said(noisy(REST, REST, RISE, FALL, REST), 200.0)
    times = np.ceil([r.t_s / 0.016 for r in readings]) * 0.016
    late = {t: rng.uniform(0, 0.15) for t in times}
    times = np.maximum.accumulate([t + late[t] for t in times])
    assert fed_in_chunks([r._replace(t_s=t) for r, t in zip(readings, times, strict=True)]) == ()


def test_lines_that_are_sent_twice_are_no_loss_where_they_come_once():
    """At 25/s a fifth of the lines comes twice, but not in the presses: none is missing there."""
    readings, twice = said(noisy(*[REST, REST, RISE, FALL] * 9, REST), 25.0), []
    rng = np.random.default_rng(3)
    for reading in readings:
        twice += [reading] * (1 + (reading.value < 0.02 and rng.random() < 0.2))
    berries = [event for event in Detector().feed(twice) if isinstance(event, Press)]
    assert len(berries) == 9
    assert not any(Flag.PEAK_MAY_BE_HIGHER in berry.flags for berry in berries)


def test_readings_lost_far_from_the_top_hide_no_peak():
    readings = said(noisy(REST, RISE, np.full(50, 5.0), FALL, REST))
    assert Flag.PEAK_MAY_BE_HIGHER not in flags(readings, lost=range(110, 118)).flags


def fed_in_chunks(readings):
    """Flags of the only berry, where all readings of one time arrive together."""
    detector, out = Detector(), []
    for t_s in sorted({reading.t_s for reading in readings}):
        out += detector.feed([reading for reading in readings if reading.t_s == t_s])
    [berry] = [event for event in out + detector.close() if isinstance(event, Press)]
    return berry.flags


def test_readings_lost_just_before_a_sudden_release_are_told_of_in_chunks_too():
    """A chunk of 0.05 s says nothing yet of what is missing; the press waits for the next ones."""
    readings = said(noisy(REST, RISE, REST), 100.0)
    chunked = [r._replace(t_s=math.ceil(r.t_s / 0.05) * 0.05) for r in readings]
    assert fed_in_chunks(chunked) == ()
    del chunked[166:175]
    assert Flag.PEAK_MAY_BE_HIGHER in fed_in_chunks(chunked)


def test_two_readings_lost_at_the_top_are_seen_where_chunks_are_hardly_longer_than_readings():
    """A line of 38/s in chunks of 0.032 s: no more than one reading is ever late by itself."""
    readings = said(noisy(REST, RISE, REST), 38.0)
    chunked = [r._replace(t_s=math.ceil(r.t_s / 0.032) * 0.032) for r in readings]
    assert Flag.PEAK_MAY_BE_HIGHER not in fed_in_chunks(chunked)
    top = max(range(len(chunked)), key=lambda i: chunked[i].value)
    del chunked[top - 1 : top + 1]
    assert Flag.PEAK_MAY_BE_HIGHER in fed_in_chunks(chunked)


@pytest.mark.parametrize("slower", [2, 3, 5])
def test_a_gauge_that_slows_down_loses_nothing_from_then_on(slower):
    readings = said(noisy(*[REST, REST, RISE, RISE[::-1]] * 6, REST), 100.0)
    kept = readings[:1000] + readings[1000::slower]
    berries = [event for event in Detector().feed(kept) if isinstance(event, Press)]
    assert len(berries) == 6
    assert not any(Flag.PEAK_MAY_BE_HIGHER in berry.flags for berry in berries[-2:])


def test_readings_that_come_late_and_in_pieces_are_not_lost():
    """The line stalls for 0.4 s up to the release, then brings all in three pieces."""
    readings = said(noisy(REST, RISE, FALL, REST), 100.0)
    for i in range(145, len(readings)):
        piece = min((i - 145) // 14, 2)
        readings[i] = readings[i]._replace(t_s=max(readings[i].t_s, 1.85 + 0.04 * piece))
    assert fed_in_chunks(readings) == ()


def test_a_late_piece_that_is_nearly_whole_is_not_taken_for_a_loss():
    """The line stalls for 0.2 s; 17 readings come at once, the last three 0.04 s later."""
    readings = said(noisy(REST, RISE, FALL, REST), 100.0)
    for i in range(150, 170):
        readings[i] = readings[i]._replace(t_s=1.7 if i < 167 else 1.74)
    for i in range(170, 174):
        readings[i] = readings[i]._replace(t_s=1.74)
    assert fed_in_chunks(readings) == ()


@pytest.mark.parametrize("rate_hz", [20.0, 100.0])
def test_a_single_reading_that_is_lost_on_a_steep_ramp_is_told_of(rate_hz):
    rest, rise = np.zeros(round(4 * rate_hz)), np.linspace(0, 5, round(0.75 * rate_hz))
    readings = said(noisy(rest, rise, [0.3], rest), rate_hz)
    top = max(range(len(readings)), key=lambda i: readings[i].value)
    assert Flag.PEAK_MAY_BE_HIGHER not in flags(readings).flags
    assert Flag.PEAK_MAY_BE_HIGHER in flags(readings, lost=[top]).flags


def test_a_damaged_line_in_a_hold_can_hide_a_reading_a_little_higher():
    readings = said(noisy(REST, RISE, np.full(120, 5.0), FALL, REST, noise=0.02))
    top = max(range(len(readings)), key=lambda i: readings[i].value)
    berry = flags(readings, bad=[top])
    assert berry.peak_newton < readings[top].value <= berry.peak_newton + berry.sampling_loss_newton
    assert Flag.PEAK_MAY_BE_HIGHER in berry.flags


def test_readings_lost_in_a_hold_just_before_it_is_known_as_one_are_told_of():
    """They are found lost 0.1 s later, when a part of the press has ended."""
    fall = 5 - 0.8 * np.arange(40) / 50
    forces = noisy(REST, np.linspace(0, 5, 500), np.full(24, 5.0), fall, FALL, REST, noise=0.002)
    forces[622] = 5.05
    assert Flag.PEAK_MAY_BE_HIGHER in flags(said(forces), lost=range(620, 624)).flags


def test_late_replies_one_after_another_are_no_gap():
    """Of a polled gauge that may be silent for 2 s, three replies take 1.3 s each in one press."""
    readings = said(noisy(REST, np.linspace(0, 5, 150), FALL, REST), 20.0)
    late = [r for i, r in enumerate(readings) if not (150 < i < 228 and (i - 150) % 27 > 1)]
    detector = detector_for("polled")
    [berry] = [event for reading in late for event in detector.feed([reading])]
    assert berry.peak_shown == max(late, key=lambda r: r.value).shown


def test_a_zero_that_was_off_only_before_the_press_has_moved():
    berry = flags(said(noisy(REST + 0.2, RISE + 0.2, FALL, REST)))
    assert Flag.BASELINE_DRIFT in berry.flags
    assert Flag.ZERO_OFF not in berry.flags


def test_residue_that_comes_with_the_last_reading_is_no_lone_reading():
    forces = noisy(REST, 0.2 * RISE, [1.3], np.full(100, 0.3))
    assert Flag.LONE_READING not in flags(said(forces)).flags
    forces = noisy(REST, 0.2 * RISE, [1.3], np.zeros(100))
    assert Flag.LONE_READING in flags(said(forces)).flags


def test_a_line_lost_late_in_a_very_long_press_is_no_error():
    """A ramp of 8 s at 10,000 readings/s; not all of its forces are kept."""
    rest, rise = np.zeros(10_000), np.linspace(0, 5, 80_000)
    readings = said(noisy(rest, rise, rise[::-800], rest), 10_000.0)
    assert flags(readings, bad=[75_000]).n_readings > 79_000


def test_an_overload_that_cannot_be_read_is_told_of():
    readings = said(noisy(REST, RISE, FALL, REST))
    bad = [i for i, reading in enumerate(readings) if reading.value > 4.2]
    assert Flag.PEAK_MAY_BE_HIGHER in flags(readings, bad=bad).flags


@pytest.mark.parametrize("share", [0.9, 0.97])
def test_near_the_capacity_of_the_gauge(share):
    """Flagged from 95 % of the rating on."""
    settings = DetectorSettings(capacity_newton=5.0 / share)
    berry = flags(said(noisy(REST, RISE, FALL, REST)), settings=settings)
    assert (Flag.OVERLOAD in berry.flags) == (share > 0.95)


def test_zero_off_is_flagged_and_given():
    berry = flags(said(noisy(REST, RISE, FALL, REST) + 0.2))
    assert Flag.ZERO_OFF in berry.flags
    assert berry.baseline_newton == pytest.approx(0.2, abs=0.01)


def test_a_display_that_is_not_reset_between_berries_is_told_of():
    held = [np.maximum.accumulate(noisy(np.linspace(a, b, 75), np.full(200, b))) for a, b in
            ((0, 2), (2, 3), (3, 4))]  # fmt: skip
    forces = np.concatenate([noisy(REST), np.maximum.accumulate(np.concatenate(held)), noisy(REST)])
    detector = Detector()
    events = detector.feed(said(forces, decimals=2))
    assert sum(isinstance(e, DetectorNotice) and "not reset" in e.text for e in events) == 2
    [berry] = [e for e in events if isinstance(e, Press)]
    assert Flag.DOUBLE_RISE in berry.flags


def test_a_display_that_is_held_for_a_moment_only_before_the_next_berry_is_told_of():
    """It shows 2.00 for 1.5 s, then the next berry's 3.00."""
    first = np.concatenate([np.linspace(0, 2, 75), np.full(75, 2.0), np.full(60, 2.0)])
    held = np.concatenate([first, np.linspace(2, 3, 50), np.full(100, 3.0)])
    events = Detector().feed(said(np.concatenate([noisy(REST), held, noisy(REST)]), decimals=2))
    assert [e.text[:23] for e in events if isinstance(e, DetectorNotice)] == [
        "The display held 2.00 N"
    ]


def test_a_hand_that_pauses_on_a_display_that_holds_its_peak_has_pressed_one_berry():
    """It shows 2.00 for 1.7 s: no other berry is put under the head so fast."""
    held = np.concatenate([np.linspace(0, 2, 75), np.full(85, 2.0), np.linspace(2, 3, 50)])
    forces = np.concatenate([noisy(REST), held, np.full(200, 3.0), noisy(REST)])
    assert flags(said(forces, decimals=2)).flags == ()


def test_noise_that_a_display_holds_at_rest_is_no_peak_that_was_not_reset():
    rng = np.random.default_rng(1)
    rest = np.maximum.accumulate(0.01 * rng.standard_normal(200))
    forces = np.concatenate([noisy(REST), rest, 5 / 75 * np.arange(76), np.full(200, 5.0), REST])
    events = Detector().feed(said(forces, 20.0))
    assert [type(event) for event in events] == [Press]


def test_a_hand_that_holds_still_on_a_coarse_display_is_no_display_that_was_not_reset():
    """Two holds of 1.5 s at one number each; before the second the hand gives way by one step."""
    rise = [np.linspace(0, 0.6, 20), np.full(30, 0.6), np.full(4, 0.55)]
    forces = [np.zeros(60), *rise, np.linspace(0.6, 1, 10), np.full(30, 1.0), np.zeros(60)]
    stepped = 0.05 * np.round(np.concatenate(forces) / 0.05)
    events = Detector().feed(said(stepped, 20.0, decimals=2))
    assert [type(event) for event in events] == [Press]


def test_the_tail_of_a_slow_release_is_no_new_zero():
    """A press that takes 12 s to come down, ever slower, and is at zero at its end."""
    fall = 1.2 * (1 - np.arange(480) / 480) ** 2.5
    forces = noisy(np.zeros(120), np.linspace(0, 1.2, 400), fall, np.zeros(200), noise=0.006)
    berry = flags(said(forces, 40.0))
    assert berry.flags == ()
    assert berry.t_end_s > 22


def test_a_wave_at_rest_is_no_berry_beside_true_ones():
    """Hum of 20 mN sets in, read so nearly at its own rate that it shows as a wave of 3.5 s."""
    presses = np.concatenate([np.linspace(0, 3, 60), np.linspace(3, 0, 10), np.zeros(280)] * 9)
    wave = 0.02 * np.sin(2 * np.pi * np.arange(200 + len(presses)) / 175)
    wave[:1050] = 0.0  # until the second berry is over
    events = Detector().feed(said(noisy(np.zeros(200), presses, noise=0.003) + wave))
    assert sum(isinstance(event, Press) for event in events) == 9


@pytest.mark.parametrize("rate_hz", [2.0, 5.0])
def test_a_gauge_that_sends_too_seldom_is_told_of(rate_hz):
    detector = Detector()
    events = detector.feed(said(np.zeros(60), rate_hz))
    assert any("too seldom" in event.text for event in events) == (rate_hz < 3)


def test_the_first_press_leaves_a_fifth_of_itself():
    """Residue of 22 % of the first press is a new zero, not a crash."""
    forces = noisy(REST, 0.2 * RISE, np.full(100, 0.22), 0.22 + RISE, np.full(100, 0.22))
    found = peaks(Detector().feed(said(forces)))
    assert found == pytest.approx([1.0, 5.22], abs=0.02)


@pytest.mark.parametrize(
    ("n_rest", "settles_s", "is_berry"), [(1, 0.05, False), (1, 0.4, True), (6, 0.05, True)]
)
def test_what_comes_with_a_release_and_falls_off_again(n_rest, settles_s, is_berry):
    """Residue lies still sooner than a hand could turn and press anew; a second press does not."""
    comes = 0.3 * (1 - np.exp(-np.arange(100) / 50 / settles_s))
    forces = noisy(REST, RISE, FALL, np.zeros(n_rest), comes, REST)
    found = peaks(Detector().feed(said(forces)))
    assert len(found) == 1 + is_berry


def test_residue_near_half_of_a_berry_is_zero_at_once():
    """The force falls to zero and is back before a hand could turn; then all falls off."""
    forces = noisy(REST, 0.2 * RISE, 0.2 * FALL, np.full(22, 0.45), REST)
    detector = Detector()
    told = [r.t_s for r in said(forces) if detector.feed([r])]
    assert told[0] < (len(REST) + len(RISE) + len(FALL) + 22) / 50
    forces = noisy(REST, 0.2 * RISE, 0.2 * FALL, np.full(30, 0.45), 0.45 + 0.2 * RISE, REST)
    found = peaks(Detector().feed(said(forces)))
    assert found == pytest.approx([1.0, 1.45], abs=0.02)


@pytest.mark.parametrize(("low", "swing", "period_s"), [(2.4, 0.1, 2.0), (2.4, 0.08, 1.3)])
def test_a_hand_that_wavers_in_a_long_hold_presses_once(low, swing, period_s):
    """The berry relaxes to under half of its peak within a second; then its force swings."""
    t_s = np.arange(600) / 50
    hold = low + (5 - low) * np.exp(-t_s / 0.4) + swing * np.sin(2 * np.pi * t_s / period_s)
    forces = noisy(REST, RISE, hold, FALL * low / 5, REST, noise=0.012)
    found = peaks(Detector().feed(said(forces)))
    assert found == pytest.approx([5.0], abs=0.1)


def test_a_spike_before_a_long_hold_is_part_of_a_berry():
    """A skin breaks at once, and the hand holds on at a third of that force."""
    forces = noisy(REST, [2.0, 4.0, 4.0], np.full(30, 1.3), FALL * 0.26, REST)
    found = peaks(Detector().feed(said(forces)))
    assert found == pytest.approx([4.0], abs=0.02)


def test_a_session_that_begins_with_hum_finds_its_berries():
    """Hum of ten sigma, read near its own rate, is never level for as long as rest is asked."""
    forces = noisy(REST, *[np.concatenate([RISE, FALL, REST])] * 3, noise=0.002)
    hum = 0.026 * np.sin(2 * np.pi * 2.2 * np.arange(len(forces)) / 50)
    found = peaks(Detector().feed(said(forces + hum)))
    assert [round(peak) for peak in found] == [5, 5, 5]


@pytest.mark.parametrize("each_s", [1.6, 2.0, 2.5])
def test_a_gauge_that_sends_every_other_second_is_no_error(each_s):
    readings = said([0.3 * i for i in range(12)] + [0.0] * 12, 1 / each_s)
    detector = Detector()
    assert not peaks([event for reading in readings for event in detector.feed([reading])])


@pytest.mark.slow
def test_a_weight_left_on_the_head_fills_no_memory():
    """No more than some 65,000 readings of a press are kept."""
    forces = noisy(np.zeros(1500), np.linspace(0, 5, 1000), np.full(110_000, 5.0), noise=0.005)
    detector = Detector()
    detector.feed(said(forces, 500.0, decimals=2))
    assert len(pickle.dumps(detector)) < 800_000  # bytes


def test_a_bounce_after_a_berry_is_not_told_of():
    """The head bounces once as it is lifted; the berry before is stored."""
    forces = noisy(REST, RISE, FALL, REST[:20], [0.4, 1.2, 0.4], REST)
    [berry] = Detector().feed(said(forces))
    assert isinstance(berry, Press)


def test_a_press_held_from_one_gap_to_the_next_is_told_of():
    readings = said(noisy(np.full(100, 2.0), REST))
    detector = Detector()
    told = detector.feed(readings[:100]) + detector.gap(1.99, "the line was down")
    told += detector.feed(readings[100:])
    [cut] = [e for e in told if isinstance(e, TruncatedPress)]
    assert cut.largest_newton == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("rate_hz", [40.0, 200.0])
def test_a_jab_of_a_fifth_of_a_second_is_a_berry(rate_hz):
    """Its force is up within 60 ms, as by a knock; but a knock is over sooner."""
    rest = np.zeros(round(2 * rate_hz))
    jab = np.interp(np.arange(0, 0.22, 1 / rate_hz), [0, 0.06, 0.14, 0.2], [0, 5, 5, 0])
    found = Detector().feed(said(noisy(rest, jab, rest, jab, rest), rate_hz))
    assert [round(e.peak_newton) for e in found if isinstance(e, Press)] == [5, 5]


def test_words_in_place_of_numbers_at_the_top_are_lost_readings():
    readings = said(noisy(REST, RISE, FALL, REST))
    for i in range(170, 176):
        readings[i] = readings[i]._replace(value=math.nan, status=Status.NOT_A_NUMBER)
    assert Flag.PEAK_MAY_BE_HIGHER in flags(readings).flags


def test_an_overload_before_any_rest_is_no_press_and_no_error():
    readings = said([2.0] * 7 + [22.0], 20.0)
    readings[7] = readings[7]._replace(status=Status.OVERLOAD)
    readings += said(noisy(REST, RISE, FALL, REST), start_s=1.0)
    detector = Detector()
    found = peaks([event for reading in readings for event in detector.feed([reading])])
    assert found == pytest.approx([5.0], abs=0.02)


def test_a_quick_press_as_juice_lets_go_is_a_berry():
    """It rises within 0.1 s out of the pull of a berry twice as firm."""
    pull, quick = np.full(25, -0.15), np.linspace(0, 2.4, 6)
    forces = noisy(REST, RISE, FALL, pull, quick, np.full(50, 2.4), FALL * 0.48, REST)
    found = peaks(Detector().feed(said(forces)))
    assert found == pytest.approx([5.0, 2.4], abs=0.03)


def test_a_release_is_acknowledged_soon():
    """At 20 readings a second and more: median within 150 ms, largest within 400 ms."""
    waits = []
    for rate_hz in (20.0, 50.0, 200.0):
        rest, rise = np.zeros(round(2 * rate_hz)), np.linspace(0, 3, round(1.5 * rate_hz))
        readings = said(noisy(*[rest, rise] * 6, rest), rate_hz)
        detector = Detector()
        told = [r.t_s for r in readings if detector.feed([r])]
        waits += [t - 3.5 * (k + 1) for k, t in enumerate(told)]
    assert len(waits) == 18
    assert np.median(waits) <= 0.15
    assert max(waits) <= 0.4
    assert not any(math.isnan(wait) for wait in waits)


def test_presses_that_arrive_late_and_together_are_found():
    """A busy computer delivers up to 0.4 s of readings at once; presses last 0.25 s."""
    rest = [0.0, 0.01] * 25
    shape = np.sin(np.linspace(0, math.pi, 51))
    forces = [*rest * 5, *(2.37 * shape), *rest, *(2.5 * shape), *rest, *(0.87 * shape), *rest]
    for seed in range(30):
        rng, detector, found = np.random.default_rng(seed), Detector(), 0
        readings, at, free_s = said(forces, 200.0, decimals=2), 0, 0.0
        while at < len(readings):
            now_s = max(readings[at].t_s, free_s)
            batch = [r._replace(t_s=now_s) for r in readings[at:] if r.t_s <= now_s]
            found += sum(isinstance(event, Press) for event in detector.feed(batch))
            free_s = now_s + (rng.uniform(0.05, 0.4) if rng.random() < 0.01 else 0.0)
            at += len(batch)
        found += sum(isinstance(event, Press) for event in detector.close())
        assert found == 3, seed
